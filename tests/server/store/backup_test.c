/* A backup holds what the rows hold, and can be opened in place of the state folder. */
#include "server/store/backup.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

struct fixture {
    char folder[PATH_MAX], place[PATH_MAX];
    int where;
    struct spool *spool;
    struct store *store;
};

static struct fixture fixture;
static int link_error; /* what linkat fails with, as between two file systems */
static int copy_error;

int linkat(int from_folder, const char *from, int to_folder, const char *to, int flags)
{
    (void)from_folder, (void)from, (void)to_folder, (void)to, (void)flags;
    errno = link_error;
    return -1;
}

ssize_t copy_file_range(int from, off64_t *from_at, int to, off64_t *to_at, size_t count,
                        unsigned flags)
{
    char bytes[64];
    (void)from_at, (void)to_at, (void)flags;
    if (copy_error != 0) {
        errno = copy_error;
        return -1;
    }
    ssize_t got = read(from, bytes, count < sizeof bytes ? count : sizeof bytes);
    return got > 0 ? write(to, bytes, (size_t)got) : got;
}

static int start(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    link_error = EXDEV;
    copy_error = 0;
    support_temporary_folder(fixture.folder);
    support_temporary_folder(fixture.place);
    fixture.where = open(fixture.place, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    return spool_open(fixture.folder, &fixture.spool, &problem) &&
                   store_open(fixture.folder, &fixture.store, &problem)
               ? 0
               : -1;
}

static int stop(void **state)
{
    (void)state;
    store_close(fixture.store);
    spool_close(fixture.spool);
    return close(fixture.where);
}

static const char text[] = "a recording of more than sixty-four bytes, so that it takes "
                           "more than one piece to copy";

/* Two captures of one content, an analysis that is done and one that waits. */
static void fill(void)
{
    struct server_problem problem = {0};
    struct spool_upload *upload = NULL;
    assert_true(spool_upload_begin(fixture.spool, -1, 1000, &upload, &problem));
    spool_upload_write(upload, text, strlen(text));
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_keep(upload, &problem));
    for (int n = 1; n <= 2; n++) {
        struct store_capture capture = rows_capture(n);
        capture.bytes = strlen(text);
        strcpy(capture.sha256, spool_upload_sha256(upload));
        assert_true(store_capture_add(
            fixture.store, &(struct store_upload){.capture = &capture}, &problem));
        struct store_analysis analysis = rows_analysis(n, n);
        assert_true(store_analysis_add(fixture.store, &analysis, &problem));
    }
    spool_upload_free(upload);
    struct store_analysis done = rows_analysis(1, 1);
    close(spool_result_begin(fixture.spool, done.id, 1, &problem));
    assert_true(spool_result_keep(fixture.spool, done.id, 1, &problem));
    done.state = STORE_DONE;
    assert_true(store_analysis_finish(fixture.store, &done, &problem));
}

enum { PLENTY = 1000000 };
static unsigned long give_up_after; /* calls of progress */

static bool progress(void *context, const struct backup_progress *so_far)
{
    (void)context, (void)so_far;
    return give_up_after-- > 0;
}

static bool back_up(const char *name, struct backup_progress *ret,
                    struct server_problem *problem)
{
    const struct backup_target target = {fixture.where, name, progress, NULL};
    return backup_write(fixture.spool, fixture.store, &target, ret, problem);
}

static void backup_opens_like_the_state_folder(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    struct backup_progress done;
    fill();
    give_up_after = PLENTY;
    if (!back_up("copy", &done, &problem))
        fail_msg("%s", problem.detail);
    assert_int_equal(done.contents, 1);
    assert_int_equal(done.results, 1);
    assert_int_equal(done.missing, 0);
    assert_true(done.copied_bytes > strlen(text)); /* and the database */

    char path[2 * PATH_MAX];
    struct spool *spool = NULL;
    struct store *store = NULL;
    snprintf(path, sizeof path, "%s/copy", fixture.place);
    assert_true(spool_open(path, &spool, &problem));
    assert_true(store_open(path, &store, &problem));
    assert_true(spool_sweep(spool, store, &problem));
    struct store_capture capture;
    char id[ID_BYTES], bytes[sizeof text] = "";
    rows_id("cap", 2, id);
    assert_true(store_capture_get(store, id, &capture, &problem));
    assert_int_equal(capture.audio, STORE_AUDIO_PRESENT);
    int file = spool_open_content(spool, capture.sha256);
    assert_int_equal(read(file, bytes, sizeof bytes), strlen(text));
    assert_string_equal(bytes, text);
    close(file);
    store_capture_free(&capture);
    rows_id("ana", 1, id);
    file = spool_open_result(spool, id);
    assert_true(file >= 0);
    close(file);
    store_close(store);
    spool_close(spool);
}

/* The times tell the daemon that a content is unchanged. */
static void copied_content_keeps_its_time(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    struct backup_progress done;
    struct stat before, after;
    struct store_capture capture;
    char id[ID_BYTES], path[3 * PATH_MAX];
    fill();
    rows_id("cap", 1, id);
    assert_true(store_capture_get(fixture.store, id, &capture, &problem));
    snprintf(path, sizeof path, "%s/objects/%.2s/%s", fixture.folder, capture.sha256,
             capture.sha256);
    assert_int_equal(
        utimensat(AT_FDCWD, path,
                  (struct timespec[]){{1700000000, 5}, {1600000000, 123456789}}, 0),
        0);
    assert_int_equal(stat(path, &before), 0);
    give_up_after = PLENTY;
    assert_true(back_up("copy", &done, &problem));
    snprintf(path, sizeof path, "%s/copy/objects/%.2s/%s", fixture.place, capture.sha256,
             capture.sha256);
    assert_int_equal(stat(path, &after), 0);
    assert_memory_equal(&after.st_mtim, &before.st_mtim, sizeof before.st_mtim);
    store_capture_free(&capture);
}

static void files_that_are_missing_are_counted(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    struct backup_progress done;
    char path[2 * PATH_MAX], id[ID_BYTES];
    fill();
    rows_id("ana", 1, id);
    snprintf(path, sizeof path, "%s/results/%s", fixture.folder, id);
    assert_int_equal(unlink(path), 0);
    give_up_after = PLENTY;
    assert_true(back_up("copy", &done, &problem));
    assert_int_equal(done.contents, 1);
    assert_int_equal(done.results, 0);
    assert_int_equal(done.missing, 1);
}

static bool is_there(const char *name)
{
    return faccessat(fixture.where, name, F_OK, 0) == 0;
}

static void nothing_stays_of_a_backup_that_fails(void **state)
{
    (void)state;
    struct backup_progress done;
    fill();
    for (unsigned long calls = 0; calls < 4; calls++) {
        struct server_problem problem = {0};
        give_up_after = calls;
        assert_false(back_up("copy", &done, &problem));
        assert_non_null(strstr(problem.detail, "given up"));
        assert_false(is_there("copy") || is_there("copy.part"));
    }
    struct server_problem problem = {0};
    give_up_after = PLENTY;
    copy_error = ENOSPC;
    assert_false(back_up("copy", &done, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    assert_false(is_there("copy") || is_there("copy.part"));
    copy_error = 0; /* and the next one succeeds */
    problem = (struct server_problem){0};
    assert_true(back_up("copy", &done, &problem));
    assert_true(is_there("copy/residuum.db"));
    assert_false(is_there("copy.part"));
}

/* As copy_file_range(2) refuses between most file systems. */
static void what_the_kernel_does_not_copy_is_copied_by_hand(void **state)
{
    (void)state;
    char name[128], bytes[sizeof text] = "";
    struct server_problem problem = {0};
    struct backup_progress done;
    fill();
    give_up_after = PLENTY;
    copy_error = EXDEV;
    assert_true(back_up("copy", &done, &problem));
    assert_true(is_there("copy/residuum.db"));
    struct store_capture capture;
    assert_true(store_capture_get(fixture.store, rows_capture(1).id, &capture, &problem));
    snprintf(name, sizeof name, "copy/objects/%.2s/%s", capture.sha256, capture.sha256);
    store_capture_free(&capture);
    int file = openat(fixture.where, name, O_RDONLY | O_CLOEXEC);
    assert_int_equal(read(file, bytes, sizeof bytes), strlen(text));
    assert_string_equal(bytes, text);
    close(file);
}

static void only_a_free_name_or_an_empty_folder_is_taken(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    struct backup_progress done;
    fill();
    assert_int_equal(mkdirat(fixture.where, "copy", 0755), 0);
    give_up_after = PLENTY;
    assert_true(back_up("copy", &done, &problem)); /* an empty one */
    assert_false(back_up("copy", &done, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_non_null(strstr(problem.detail, "copy exists"));
    problem = (struct server_problem){0};
    assert_int_equal(mkdirat(fixture.where, "other.part", 0755), 0);
    assert_false(back_up("other", &done, &problem));
    assert_non_null(strstr(problem.detail, "other.part"));
    assert_true(is_there("other.part")); /* it may be somebody's */
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(backup_opens_like_the_state_folder),
        TEST(copied_content_keeps_its_time),
        TEST(files_that_are_missing_are_counted),
        TEST(nothing_stays_of_a_backup_that_fails),
        TEST(what_the_kernel_does_not_copy_is_copied_by_hand),
        TEST(only_a_free_name_or_an_empty_folder_is_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
