/* What reaches the socket: strangers, nonsense, and a backup. */
#include "server/control/control.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "server/control/address.h"
#include "tests/support/support.h"

static uid_t peer; /* who connects, as far as the daemon is told */

int getsockopt(int socket, int level, int name, void *value, socklen_t *size)
{
    long status = syscall(SYS_getsockopt, socket, level, name, value, size);
    if (status == 0 && name == SO_PEERCRED)
        ((struct ucred *)value)->uid = peer;
    return (int)status;
}

struct fixture {
    char folder[PATH_MAX];
    struct spool *spool;
    struct store *store;
    struct control *control;
};

static struct fixture fixture;

static int start(void **state)
{
    (void)state;
    struct server_problem problem = {0};
    peer = geteuid();
    support_temporary_folder(fixture.folder);
    return spool_open(fixture.folder, &fixture.spool, &problem) &&
                   store_open(fixture.folder, &fixture.store, &problem) &&
                   control_start(fixture.folder, fixture.spool, fixture.store,
                                 &fixture.control, &problem)
               ? 0
               : -1;
}

static int stop(void **state)
{
    (void)state;
    control_stop(fixture.control);
    store_close(fixture.store);
    spool_close(fixture.spool);
    return 0;
}

static int call(void)
{
    struct address address;
    assert_true(address_open(fixture.folder, CONTROL_NAME, &address));
    int caller = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    assert_int_equal(
        connect(caller, (const struct sockaddr *)&address.name, sizeof address.name), 0);
    address_close(&address);
    return caller;
}

/* Sends these bytes with this descriptor (−1: none); fills the last answer. */
static void ask(const char *bytes, size_t count, int descriptor,
                char answer[CONTROL_MESSAGE_BYTES])
{
    union {
        struct cmsghdr header;
        char bytes[CMSG_SPACE(sizeof(int))];
    } rights = {.header = {.cmsg_len = CMSG_LEN(sizeof(int)),
                           .cmsg_level = SOL_SOCKET,
                           .cmsg_type = SCM_RIGHTS}};
    struct iovec part = {(char *)bytes, count};
    struct msghdr message = {.msg_iov = &part, .msg_iovlen = 1};
    if (descriptor >= 0) {
        memcpy(CMSG_DATA(&rights.header), &descriptor, sizeof descriptor);
        message.msg_control = &rights;
        message.msg_controllen = sizeof rights;
    }
    int caller = call();
    assert_true(sendmsg(caller, &message, MSG_NOSIGNAL) >= 0);
    ssize_t got;
    char next[CONTROL_MESSAGE_BYTES];
    answer[0] = '\0';
    while ((got = recv(caller, next, sizeof next - 1, 0)) > 0)
        snprintf(answer, CONTROL_MESSAGE_BYTES, "%.*s", (int)got, next);
    close(caller);
}

static void nonsense_is_refused(void **state)
{
    (void)state;
    static const char long_one[2000] = "backup x";
    static const struct {
        const char *bytes;
        size_t count;
        bool with_folder;
    } cases[] = {
        {"", 0, true},
        {"backup ", 7, true},
        {"backup copy", 11, false},
        {"restore copy", 12, true},
        {"backup a/b", 10, true},
        {"backup ..", 9, true},
        {"backup .", 8, true},
        {"backup a\0b", 10, true},
        {long_one, 2000, true},
    };
    char answer[CONTROL_MESSAGE_BYTES];
    int folder = open(fixture.folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int file = open("/proc/self/exe", O_RDONLY | O_CLOEXEC);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        ask(cases[i].bytes, cases[i].count, cases[i].with_folder ? folder : -1, answer);
        if (strcmp(answer, "failed the request was not understood.") != 0)
            fail_msg("case %zu: %s", i, answer);
    }
    ask("backup copy", 11, file, answer); /* no folder */
    assert_string_equal(answer, "failed the request was not understood.");
    ask("backup copy", 11, folder, answer); /* and still it serves */
    assert_string_equal(answer, "done the database, 0 recordings and 0 results");
    assert_int_equal(faccessat(folder, "copy/residuum.db", F_OK, 0), 0);
    close(file);
    close(folder);
}

static void strangers_are_not_heard(void **state)
{
    (void)state;
    char answer[CONTROL_MESSAGE_BYTES];
    int folder = open(fixture.folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    peer = geteuid() + 1;
    ask("backup copy", 11, folder, answer);
    assert_non_null(strstr(answer, "failed only the daemon's own user"));
    assert_int_equal(faccessat(folder, "copy", F_OK, 0), -1);
    peer = 0; /* root is */
    ask("backup copy", 11, folder, answer);
    assert_non_null(strstr(answer, "done "));
    close(folder);
}

/* Whoever connects and says nothing holds nobody up for ever. */
static void silence_does_not_keep_it_from_stopping(void **state)
{
    (void)state;
    int silent = call();
    control_stop(fixture.control);
    fixture.control = NULL;
    close(silent);
    char path[PATH_MAX + 16];
    snprintf(path, sizeof path, "%s/control", fixture.folder);
    assert_int_equal(access(path, F_OK), -1);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(nonsense_is_refused),
        TEST(strangers_are_not_heard),
        TEST(silence_does_not_keep_it_from_stopping),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
