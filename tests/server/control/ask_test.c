/* The command against a daemon that the test plays. */
#include "server/control/ask.h"

#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/control/address.h"
#include "server/control/control.h"
#include "tests/support/support.h"

static char folder[PATH_MAX];
static int listener;
static const char *const *answers; /* up to NULL, then it hangs up */
static char asked[CONTROL_MESSAGE_BYTES];

static int start(void **state)
{
    (void)state;
    struct address address;
    support_temporary_folder(folder);
    assert_true(address_open(folder, CONTROL_NAME, &address));
    listener = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    assert_int_equal(
        bind(listener, (const struct sockaddr *)&address.name, sizeof address.name), 0);
    assert_int_equal(listen(listener, 1), 0);
    address_close(&address);
    return 0;
}

static int stop(void **state)
{
    (void)state;
    return close(listener);
}

static void *answer(void *context)
{
    (void)context;
    int caller = accept(listener, NULL, NULL);
    ssize_t got = recv(caller, asked, sizeof asked - 1, 0);
    asked[got > 0 ? got : 0] = '\0';
    for (const char *const *text = answers; *text != NULL; text++)
        send(caller, *text, strlen(*text), MSG_NOSIGNAL);
    close(caller);
    return NULL;
}

static int ask(const char *const *with)
{
    char to[PATH_MAX + 8];
    pthread_t daemon;
    answers = with;
    assert_int_equal(pthread_create(&daemon, NULL, answer, NULL), 0);
    snprintf(to, sizeof to, "%s/copy//", folder);
    int status = ask_backup(folder, to);
    pthread_join(daemon, NULL);
    return status;
}

static void status_is_that_of_the_last_answer(void **state)
{
    (void)state;
    assert_int_equal(
        ask((const char *const[]){"progress 1 of 2", "done the database", NULL}), 0);
    assert_string_equal(asked, "backup copy");
    assert_int_equal(ask((const char *const[]){"progress 1 of 2", "failed full.", NULL}),
                     1);
    assert_int_equal(ask((const char *const[]){"gibberish", NULL}), 1);
    assert_int_equal(ask((const char *const[]){"progress 1 of 2", NULL}), 1);
    assert_int_equal(ask((const char *const[]){NULL}), 1);
}

static void names_that_cannot_be_are_refused(void **state)
{
    (void)state;
    char long_name[NAME_MAX + 2];
    memset(long_name, 'x', sizeof long_name);
    long_name[NAME_MAX + 1] = '\0';
    const char *const names[] = {"", ".", "..", "/", "//", "a/..", long_name};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (ask_backup(folder, names[i]) != 1)
            fail_msg("%s", names[i]);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, start, stop)
    const struct CMUnitTest tests[] = {
        TEST(status_is_that_of_the_last_answer),
        TEST(names_that_cannot_be_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
