/* Rendered signals kept on a disk whose size the test says. */
#include "server/store/rendered.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "server/base/limits.h"
#include "server/store/spool_parts.h"
#include "tests/support/support.h"

static char folder[PATH_MAX];
static uint64_t disk_bytes, size_bytes; /* what its limits see; its size */

/* Length of all files in rendered/, and how many. */
static uint64_t kept_bytes(int *ret_count)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/rendered", folder);
    DIR *entries = opendir(path);
    const struct dirent *entry;
    struct stat facts;
    uint64_t bytes = 0;
    *ret_count = 0;
    while (entries != NULL && (entry = readdir(entries)) != NULL)
        if (fstatat(dirfd(entries), entry->d_name, &facts, 0) == 0 &&
            S_ISREG(facts.st_mode)) {
            bytes += (uint64_t)facts.st_size;
            (*ret_count)++;
        }
    if (entries != NULL)
        closedir(entries);
    return bytes;
}

int fstatvfs(int file, struct statvfs *ret)
{
    int count;
    (void)file;
    *ret = (struct statvfs){.f_frsize = 1, .f_blocks = size_bytes};
    ret->f_bavail = disk_bytes - kept_bytes(&count);
    return 0;
}

static int open_spool(void **state)
{
    struct server_problem problem = {0};
    disk_bytes = size_bytes = UINT64_C(1) << 40;
    support_temporary_folder(folder);
    return spool_open(folder, (struct spool **)state, &problem) ? 0 : -1;
}

static int close_spool(void **state)
{
    spool_close(*state);
    return 0;
}

/* Keeps a file of so many bytes, each `letter`, under the key of the letter. */
static void keep(const struct spool *spool, char letter, size_t bytes)
{
    char key[RENDERED_KEY_BYTES], part[ID_BYTES], text[2] = {letter};
    struct server_problem problem = {0};
    assert_true(rendered_key(text, key, &problem));
    int file = rendered_begin(spool, bytes, part, &problem);
    if (file < 0)
        fail_msg("%s", problem.detail);
    for (size_t i = 0; i < bytes; i++)
        assert_int_equal(write(file, &letter, 1), 1);
    rendered_keep(spool, part, file, key);
    assert_int_equal(lseek(file, 0, SEEK_END), bytes);
    close(file);
    usleep(20000); /* the times of files may be as coarse as the kernel's clock */
}

/* The length of what is kept under the letter's key, or −1. */
static int64_t kept(const struct spool *spool, char letter)
{
    char key[RENDERED_KEY_BYTES], text[2] = {letter}, got = 0;
    struct server_problem problem = {0};
    assert_true(rendered_key(text, key, &problem));
    int file = rendered_open(spool, key);
    if (file < 0)
        return -1;
    assert_true(fcntl(file, F_GETFD) & FD_CLOEXEC);
    assert_int_equal(pread(file, &got, 1, 0), 1);
    assert_int_equal(got, letter);
    int64_t bytes = lseek(file, 0, SEEK_END);
    close(file);
    usleep(20000);
    return bytes;
}

static bool is_there(char letter)
{
    char key[RENDERED_KEY_BYTES], name[2 * PATH_MAX], text[2] = {letter};
    struct server_problem problem = {0};
    assert_true(rendered_key(text, key, &problem));
    snprintf(name, sizeof name, "%s/rendered/%s.400", folder, key);
    return access(name, F_OK) == 0;
}

static void key_is_the_sha256(void **state)
{
    (void)state;
    char key[RENDERED_KEY_BYTES];
    struct server_problem problem = {0};
    assert_true(rendered_key("abc", key, &problem));
    /* FIPS 180-4's example */
    assert_string_equal(
        key, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

static void what_was_kept_comes_back(void **state)
{
    assert_int_equal(kept(*state, 'a'), -1);
    keep(*state, 'a', 400);
    keep(*state, 'b', 401);
    assert_int_equal(kept(*state, 'a'), 400);
    assert_int_equal(kept(*state, 'b'), 401);
    assert_int_equal(kept(*state, 'c'), -1);
    keep(*state, 'a', 400); /* two at the same time: the later takes the place */
    assert_int_equal(kept(*state, 'a'), 400);
    int count;
    assert_int_equal(kept_bytes(&count), 801);
    assert_int_equal(count, 2);
}

static void file_of_another_length_is_gone(void **state)
{
    static const off_t lengths[] = {399, 401, 0};
    char key[RENDERED_KEY_BYTES], path[2 * PATH_MAX];
    struct server_problem problem = {0};
    assert_true(rendered_key("a", key, &problem));
    snprintf(path, sizeof path, "%s/rendered/%s.400", folder, key);
    for (size_t i = 0; i < sizeof lengths / sizeof lengths[0]; i++) {
        keep(*state, 'a', 400);
        assert_true(rendered_is_whole(*state, strrchr(path, '/') + 1));
        assert_int_equal(truncate(path, lengths[i]), 0);
        assert_false(rendered_is_whole(*state, strrchr(path, '/') + 1));
        assert_int_equal(kept(*state, 'a'), -1);
        assert_int_equal(access(path, F_OK), -1);
    }
    assert_false(rendered_is_whole(*state, "backup.db"));
    assert_false(rendered_is_whole(*state, ""));
}

static void link_is_no_file_of_ours(void **state)
{
    char key[RENDERED_KEY_BYTES], path[2 * PATH_MAX];
    struct server_problem problem = {0};
    assert_true(rendered_key("a", key, &problem));
    snprintf(path, sizeof path, "%s/rendered/%s.5", folder, key);
    assert_int_equal(symlink("/etc/hostname", path), 0);
    assert_int_equal(kept(*state, 'a'), -1);
}

/* A tenth of the disk: two files and a half. */
static void longest_unused_goes_first(void **state)
{
    size_bytes = 10000;
    keep(*state, 'a', 400);
    keep(*state, 'b', 400);
    assert_int_equal(kept(*state, 'a'), 400); /* used: now b is the oldest */
    keep(*state, 'c', 400);
    assert_true(is_there('a'));
    assert_false(is_there('b'));
    assert_true(is_there('c'));
    keep(*state, 'd', 400);
    assert_false(is_there('a'));
    keep(*state, 'e', 1000);
    int count;
    assert_int_equal(kept_bytes(&count), 1000);
    assert_int_equal(kept(*state, 'e'), 1000);
}

static void file_beyond_the_limit_is_not_kept(void **state)
{
    int count;
    size_bytes = 10000;
    keep(*state, 'a', 400);
    keep(*state, 'b', 1001);
    assert_int_equal(kept_bytes(&count), 400);
    assert_int_equal(count, 1);
}

/* On a disk of any size. */
static void limit_is_that_of_the_interface(void **state)
{
    struct server_problem problem = {0};
    char part[ID_BYTES];
    int count;
    for (int i = 0; i < 2; i++) {
        int file = rendered_begin(*state, 1, part, &problem);
        assert_true(file >= 0);
        assert_int_equal(ftruncate(file, ((off_t)LIMIT_RENDERED_MIB << 20) + i), 0);
        rendered_keep(*state, part, file,
                      "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        close(file);
    }
    assert_int_equal(kept_bytes(&count), (uint64_t)LIMIT_RENDERED_MIB << 20);
    assert_int_equal(count, 1);
}

static void number_is_bounded(void **state)
{
    int count, rendered = ((struct spool *)*state)->rendered;
    for (int i = 0; i < LIMIT_RENDERED_FILES + 5; i++) {
        char name[RENDERED_NAME_BYTES];
        snprintf(name, sizeof name, "%064d.0", i);
        close(openat(rendered, name, O_WRONLY | O_CREAT, 0600));
    }
    close(openat(rendered, "backup.db", O_WRONLY | O_CREAT, 0600));
    keep(*state, 'a', 400);
    kept_bytes(&count);
    assert_int_equal(count, LIMIT_RENDERED_FILES + 1); /* one is none of ours */
    assert_true(is_there('a'));
    assert_int_equal(faccessat(rendered, "backup.db", F_OK, 0), 0);
}

static void signals_make_room_for_uploads(void **state)
{
    int count;
    keep(*state, 'a', 400);
    keep(*state, 'b', 400);
    keep(*state, 'c', 400);
    disk_bytes = SPOOL_FLOOR_BYTES + 1200 + 1000;
    struct server_problem problem = {0};
    assert_true(spool_parts_room(*state, 1000, "", &problem));
    kept_bytes(&count);
    assert_int_equal(count, 3);
    assert_true(spool_parts_room(*state, 1001, "", &problem));
    assert_false(is_there('a'));
    kept_bytes(&count);
    assert_int_equal(count, 2);
    /* where giving all up would not help, nothing is */
    assert_false(spool_parts_room(*state, 2201, "", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_DISK_FULL);
    kept_bytes(&count);
    assert_int_equal(count, 2);
    problem = (struct server_problem){0};
    assert_true(spool_parts_room(*state, 2200, "", &problem));
    assert_int_equal(kept_bytes(&count), 0);
}

static void discarded_leaves_nothing(void **state)
{
    int count;
    char part[ID_BYTES];
    struct server_problem problem = {0};
    int file = rendered_begin(*state, 400, part, &problem);
    assert_true(file >= 0);
    assert_true(fcntl(file, F_GETFD) & FD_CLOEXEC);
    rendered_discard(*state, part);
    close(file);
    kept_bytes(&count);
    assert_int_equal(count, 0);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_spool, close_spool)
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(key_is_the_sha256),  TEST(what_was_kept_comes_back),
        TEST(file_of_another_length_is_gone), TEST(link_is_no_file_of_ours),
        TEST(longest_unused_goes_first),      TEST(file_beyond_the_limit_is_not_kept),
        TEST(limit_is_that_of_the_interface), TEST(number_is_bounded),
        TEST(signals_make_room_for_uploads),  TEST(discarded_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
