#include "server/control/address.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "tests/support/support.h"

/* Addresses hold 107 bytes (unix(7)); this folder's path has more than 250. */
static void address_of_a_long_path_serves(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[2 * PATH_MAX];
    support_temporary_folder(folder);
    snprintf(path, sizeof path, "%s/%0250d", folder, 1);
    assert_int_equal(mkdir(path, 0700), 0);
    struct address there, here;
    assert_true(address_open(path, "control", &there));
    assert_true(address_open(path, "control", &here));
    int listener = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    int caller = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    assert_int_equal(
        bind(listener, (const struct sockaddr *)&there.name, sizeof there.name), 0);
    assert_int_equal(listen(listener, 1), 0);
    assert_int_equal(
        connect(caller, (const struct sockaddr *)&here.name, sizeof here.name), 0);
    close(caller);
    close(listener);
    address_close(&there);
    address_close(&here);
    assert_int_equal(here.folder, -1);
    strcat(path, "/control");
    assert_int_equal(unlink(path), 0);
}

static void folder_that_is_not_there_is_told(void **state)
{
    (void)state;
    struct address address;
    assert_false(address_open("/nonexistent", "control", &address));
    assert_int_equal(errno, ENOENT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(address_of_a_long_path_serves),
        cmocka_unit_test(folder_that_is_not_there_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
