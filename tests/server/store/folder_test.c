#include "server/store/folder.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/support/support.h"

static int parent;

static int start(void **state)
{
    char path[PATH_MAX];
    (void)state;
    support_temporary_folder(path);
    parent = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    return parent >= 0 ? 0 : -1;
}

static int stop(void **state)
{
    (void)state;
    return close(parent);
}

static void put(int folder, const char *name)
{
    int file = openat(folder, name, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(file >= 0);
    close(file);
}

static void folder_is_new_and_private(void **state)
{
    (void)state;
    struct stat facts;
    int folder = folder_make(parent, "new");
    assert_int_equal(fstat(folder, &facts), 0);
    assert_int_equal(facts.st_mode & 07777, 0700);
    assert_int_equal(folder_make(parent, "new"), -1);
    assert_int_equal(errno, EEXIST);
    close(folder);
}

static void only_a_folder_without_entries_is_empty(void **state)
{
    (void)state;
    int folder = folder_make(parent, "new");
    assert_true(folder_is_empty(parent, "new"));
    put(folder, ".hidden");
    assert_false(folder_is_empty(parent, "new"));
    assert_false(folder_is_empty(folder, ".hidden"));
    assert_false(folder_is_empty(parent, "nothing"));
    close(folder);
}

/* Three levels with a file in each, and a link to what must stay. */
static void folder_goes_with_all_below_it_and_nothing_else(void **state)
{
    (void)state;
    int first = folder_make(parent, "first"), second = folder_make(first, "second");
    int kept = folder_make(parent, "kept");
    put(first, "a");
    put(second, "b");
    put(kept, "c");
    assert_int_equal(symlinkat("../kept", first, "link"), 0);
    assert_true(folder_sync(first));
    folder_remove(parent, "first");
    assert_int_equal(faccessat(parent, "first", F_OK, 0), -1);
    assert_int_equal(faccessat(kept, "c", F_OK, 0), 0);
    close(first);
    close(second);
    close(kept);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(folder_is_new_and_private),
        TEST(only_a_folder_without_entries_is_empty),
        TEST(folder_goes_with_all_below_it_and_nothing_else),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
