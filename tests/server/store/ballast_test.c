/* The ballast on a disk whose free space and allocation the test decides. */
#include "server/store/ballast.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "tests/support/support.h"

static unsigned long free_bytes;
static int statvfs_error, allocate_error;

int fstatvfs(int file, struct statvfs *ret)
{
    (void)file;
    *ret = (struct statvfs){.f_frsize = 1, .f_bavail = free_bytes};
    errno = statvfs_error;
    return statvfs_error == 0 ? 0 : -1;
}

int posix_fallocate(int file, off_t offset, off_t length)
{
    return allocate_error != 0                                    ? allocate_error
           : syscall(SYS_fallocate, file, 0, offset, length) == 0 ? 0
                                                                  : errno;
}

static int folder;

static int start(void **state)
{
    char path[PATH_MAX];
    (void)state;
    statvfs_error = allocate_error = 0;
    free_bytes = BALLAST_ROOM_BYTES;
    support_temporary_folder(path);
    folder = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    return folder >= 0 ? 0 : -1;
}

static int stop(void **state)
{
    (void)state;
    return close(folder);
}

/* Bytes that the ballast takes from the disk, −1 when there is none. */
static long long taken(void)
{
    struct stat file;
    return fstatat(folder, "ballast", &file, 0) == 0 ? (long long)file.st_blocks * 512
                                                     : -1;
}

static void ballast_is_really_allocated(void **state)
{
    (void)state;
    ballast_tend(folder);
    assert_true(taken() >= 16 << 20);
}

static void ballast_is_made_only_where_there_is_room(void **state)
{
    (void)state;
    free_bytes--;
    ballast_tend(folder);
    assert_true(taken() == -1);
}

static void ballast_goes_when_the_next_commit_may_fail(void **state)
{
    (void)state;
    ballast_tend(folder);
    free_bytes = BALLAST_NEEDED_BYTES;
    ballast_tend(folder);
    assert_true(taken() >= 16 << 20);
    free_bytes--;
    ballast_tend(folder);
    assert_true(taken() == -1);
}

/* What it leaves behind is less than what makes it again: it does not come and go. */
static void ballast_comes_back_only_with_room(void **state)
{
    (void)state;
    assert_true(BALLAST_NEEDED_BYTES + BALLAST_BYTES < BALLAST_ROOM_BYTES);
    ballast_tend(folder);
    assert_true(ballast_give_up(folder));
    assert_false(ballast_give_up(folder));
    free_bytes = BALLAST_NEEDED_BYTES + BALLAST_BYTES;
    ballast_tend(folder);
    assert_true(taken() == -1);
    free_bytes = BALLAST_ROOM_BYTES;
    ballast_tend(folder);
    assert_true(taken() >= 16 << 20);
}

static void half_a_ballast_is_made_whole(void **state)
{
    (void)state;
    int file = openat(folder, "ballast", O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_int_equal(ftruncate(file, BALLAST_BYTES), 0); /* takes up nothing */
    close(file);
    ballast_tend(folder);
    assert_true(taken() >= 16 << 20);
}

static void ballast_that_cannot_be_made_is_not_left_in_part(void **state)
{
    (void)state;
    allocate_error = ENOSPC;
    ballast_tend(folder);
    assert_true(taken() == -1);
}

static void unknown_free_space_changes_nothing(void **state)
{
    (void)state;
    ballast_tend(folder);
    statvfs_error = EIO;
    free_bytes = 0;
    ballast_tend(folder);
    assert_true(taken() >= 16 << 20);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(ballast_is_really_allocated),
        TEST(ballast_is_made_only_where_there_is_room),
        TEST(ballast_goes_when_the_next_commit_may_fail),
        TEST(ballast_comes_back_only_with_room),
        TEST(half_a_ballast_is_made_whole),
        TEST(ballast_that_cannot_be_made_is_not_left_in_part),
        TEST(unknown_free_space_changes_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
