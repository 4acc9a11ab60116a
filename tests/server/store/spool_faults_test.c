/* The spool on a disk that is full or fails: the system's calls are replaced by ones that
 * can be told to fail. */
#include "server/store/spool.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/statvfs.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "server/store/rendered.h"
#include "server/store/spool_parts.h"
#include "tests/support/support.h"

/* Writes fail after so many bytes; short_writes takes only half of each. */
static atomic_int write_error, sync_error, folder_sync_error, allocate_error;
static atomic_long writes_pass_bytes;
static atomic_bool short_writes, interrupted;
static atomic_int syncs;

ssize_t write(int file, const void *bytes, size_t count)
{
    if (file == STDERR_FILENO || file == STDOUT_FILENO)
        return syscall(SYS_write, file, bytes, count);
    if (interrupted) {
        interrupted = false;
        errno = EINTR;
        return -1;
    }
    if (write_error != 0 &&
        atomic_fetch_sub(&writes_pass_bytes, (long)count) < (long)count) {
        errno = write_error;
        return -1;
    }
    return syscall(SYS_write, file, bytes, short_writes ? count / 2 + 1 : count);
}

int fdatasync(int file)
{
    syncs++;
    if (sync_error != 0) {
        errno = sync_error;
        return -1;
    }
    return (int)syscall(SYS_fdatasync, file);
}

int fsync(int file)
{
    if (folder_sync_error != 0) {
        errno = folder_sync_error;
        return -1;
    }
    return (int)syscall(SYS_fsync, file);
}

int fallocate(int file, int mode, off_t offset, off_t length)
{
    if (allocate_error != 0) {
        errno = allocate_error;
        return -1;
    }
    return (int)syscall(SYS_fallocate, file, mode, offset, length);
}

/* What the disk has free as far as the spool can see. */
static atomic_long free_bytes;

int fstatvfs(int file, struct statvfs *ret)
{
    (void)file;
    *ret = (struct statvfs){.f_frsize = 1, .f_bavail = (unsigned long)free_bytes};
    return 0;
}

static char folder[PATH_MAX];

static int open_spool(void **state)
{
    struct server_problem problem = {0};
    write_error = sync_error = folder_sync_error = allocate_error = syncs = 0;
    writes_pass_bytes = 0;
    short_writes = interrupted = false;
    free_bytes = 1 << 30;
    support_temporary_folder(folder);
    return spool_open(folder, (struct spool **)state, &problem) ? 0 : -1;
}

static int close_spool(void **state)
{
    spool_close(*state);
    return 0;
}

static void assert_nothing_left(void)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/incoming", folder);
    DIR *entries = opendir(path);
    assert_non_null(entries);
    int count = 0;
    while (readdir(entries) != NULL)
        count++;
    closedir(entries);
    assert_int_equal(count, 2); /* "." and ".." */
}

static const char block[1 << 20];
enum { BLOCKS = 10 };

/* Uploads ten blocks of 1 MiB; false with the problem at the first step that fails. */
static bool upload(struct spool *spool, int64_t declared_bytes,
                   struct server_problem *problem)
{
    struct spool_upload *begun = NULL;
    if (!spool_upload_begin(spool, declared_bytes, UINT64_C(1) << 40, &begun, problem))
        return false;
    for (int i = 0; i < BLOCKS; i++)
        spool_upload_write(begun, block, sizeof block);
    bool kept =
        spool_upload_finish(begun, NULL, problem) && spool_upload_keep(begun, problem);
    spool_upload_free(begun);
    return kept;
}

static void faults_of_the_disk_are_told(void **state)
{
    static const struct {
        const char *name;
        atomic_int *fault;
        int error;
        int64_t declared_bytes;
        enum server_problem_code code;
    } cases[] = {
        {"full at a write", &write_error, ENOSPC, -1, SERVER_PROBLEM_DISK_FULL},
        {"over quota at a write", &write_error, EDQUOT, -1, SERVER_PROBLEM_DISK_FULL},
        {"write fails", &write_error, EIO, -1, SERVER_PROBLEM_UNAVAILABLE},
        {"full at the sync", &sync_error, ENOSPC, -1, SERVER_PROBLEM_DISK_FULL},
        {"sync fails", &sync_error, EIO, -1, SERVER_PROBLEM_UNAVAILABLE},
        {"folder's sync fails", &folder_sync_error, EIO, -1, SERVER_PROBLEM_UNAVAILABLE},
        {"full at the reservation", &allocate_error, ENOSPC, 10 << 20,
         SERVER_PROBLEM_DISK_FULL},
        {"reservation fails", &allocate_error, EIO, 10 << 20, SERVER_PROBLEM_UNAVAILABLE},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct server_problem problem = {0};
        *cases[i].fault = cases[i].error;
        writes_pass_bytes = 3 << 20;
        bool kept = upload(*state, cases[i].declared_bytes, &problem);
        *cases[i].fault = 0;
        if (kept || problem.code != cases[i].code)
            fail_msg("%s: %s", cases[i].name, problem.detail);
        if (problem.code == SERVER_PROBLEM_DISK_FULL)
            assert_non_null(strstr(problem.detail, "(1073741824 bytes are free)"));
        else
            assert_non_null(strstr(problem.detail, strerror(EIO)));
        assert_nothing_left();
    }
    struct server_problem problem = {0};
    assert_true(upload(*state, 10 << 20, &problem)); /* and the next one passes */
}

static void a_failed_sync_is_not_repeated(void **state)
{
    struct server_problem problem = {0};
    sync_error = EIO;
    syncs = 0;
    assert_false(upload(*state, -1, &problem));
    assert_int_equal(syncs, 1);
}

static void a_file_system_without_reservation_serves(void **state)
{
    struct server_problem problem = {0};
    allocate_error = EOPNOTSUPP;
    assert_true(upload(*state, 10 << 20, &problem));
}

static void short_and_interrupted_writes_lose_nothing(void **state)
{
    struct server_problem problem = {0};
    short_writes = interrupted = true;
    /* The digest is of what was meant to be written: look at what was. */
    assert_true(upload(*state, -1, &problem));
    /* sha256sum of 10 MiB of zeros (GNU coreutils). */
    static const char zeros[] =
        "e5b844cc57f57094ea4585e235f36c78c1cd222262bb89d53c94dcb4d6b3e55d";
    int file = spool_open_content(*state, zeros);
    assert_true(file >= 0);
    assert_true(lseek(file, 0, SEEK_END) == 10 << 20);
    close(file);
}

/* An upload of unknown length needs the floor of 16 MiB and 8 MiB to begin with. */
static void uploads_leave_some_space_free(void **state)
{
    struct server_problem problem = {0};
    free_bytes = (24 << 20) - 1;
    assert_false(upload(*state, -1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "25165823 bytes are free"));

    /* Where it runs out within the body, it is seen at the next 8 MiB. */
    struct spool_upload *begun = NULL;
    problem = (struct server_problem){0};
    free_bytes = 24 << 20;
    assert_true(spool_upload_begin(*state, -1, UINT64_C(1) << 40, &begun, &problem));
    free_bytes = (24 << 20) - 1;
    for (int i = 0; i < BLOCKS; i++)
        spool_upload_write(begun, block, sizeof block);
    assert_false(spool_upload_finish(begun, NULL, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    spool_upload_free(begun);
    assert_nothing_left();
}

/* Ten MiB that are reserved need no more room later, even where others take the rest. */
static void a_reserved_upload_keeps_its_room(void **state)
{
    struct server_problem problem = {0};
    free_bytes = SPOOL_FLOOR_BYTES + (10 << 20) - 1;
    assert_false(upload(*state, 10 << 20, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    struct spool_upload *begun = NULL;
    problem = (struct server_problem){0};
    free_bytes = SPOOL_FLOOR_BYTES + (10 << 20);
    assert_true(spool_upload_begin(*state, 10 << 20, 10 << 20, &begun, &problem));
    free_bytes = 0;
    for (int i = 0; i < BLOCKS; i++)
        spool_upload_write(begun, block, sizeof block);
    assert_true(spool_upload_finish(begun, NULL, &problem));
    spool_upload_free(begun);
}

static void signals_leave_some_space_free(void **state)
{
    struct server_problem problem = {0};
    char part[ID_BYTES];
    free_bytes = SPOOL_FLOOR_BYTES + (10 << 20) - 1;
    assert_int_equal(rendered_begin(*state, 10 << 20, part, &problem), -1);
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "10485760 bytes")); /* 10 MiB */
    assert_non_null(strstr(problem.detail, "27262975 bytes")); /* 26 MiB − 1 */
    free_bytes++;
    problem = (struct server_problem){0};
    allocate_error = ENOSPC;
    assert_int_equal(rendered_begin(*state, 10 << 20, part, &problem), -1);
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    allocate_error = EOPNOTSUPP; /* then the writes will tell */
    problem = (struct server_problem){0};
    int file = rendered_begin(*state, 10 << 20, part, &problem);
    assert_true(file >= 0);
    close(file);
    rendered_discard(*state, part);
    assert_nothing_left();
}

static void results_tell_faults_too(void **state)
{
    static const char id[] = "ana_abcdefghijklmnopqrst";
    struct server_problem problem = {0};
    free_bytes = SPOOL_FLOOR_BYTES + (8 << 20) - 1; /* the room for one is 8 MiB */
    assert_int_equal(spool_result_begin(*state, id, 1, &problem), -1);
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "25165823 bytes"));
    free_bytes++;
    close(spool_result_begin(*state, id, 1, &problem));
    sync_error = ENOSPC;
    assert_false(spool_result_keep(*state, id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_int_equal(spool_open_result(*state, id), -1);
    sync_error = 0;
    folder_sync_error = EIO;
    problem = (struct server_problem){0};
    assert_false(spool_result_keep(*state, id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_spool, close_spool)
    const struct CMUnitTest tests[] = {
        TEST(faults_of_the_disk_are_told),
        TEST(a_failed_sync_is_not_repeated),
        TEST(a_file_system_without_reservation_serves),
        TEST(short_and_interrupted_writes_lose_nothing),
        TEST(uploads_leave_some_space_free),
        TEST(a_reserved_upload_keeps_its_room),
        TEST(signals_leave_some_space_free),
        TEST(results_tell_faults_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
