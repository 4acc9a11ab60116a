#include "tests/support/support.h"

#include <fcntl.h>
#include <string.h>
#include <stdio.h>
#include <unistd.h>

#include "server/http/listener.h"

static void port_0_takes_a_free_one(void **state)
{
    (void)state;
    static const struct {
        const char *address, *host;
    } cases[] = {{"127.0.0.1:0", "127.0.0.1"},
                 {"127.0.0.9:0", "127.0.0.9"},
                 {"localhost:0", "127.0.0.1"},
                 {"LOCALHOST:0", "127.0.0.1"},
                 {"[::1]:0", "[::1]"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct listener listener;
        struct server_problem problem = {0};
        char start[64];
        if (!listener_open(cases[i].address, &listener, &problem))
            fail_msg("%s: %s", cases[i].address, problem.detail);
        snprintf(start, sizeof start, "http://%s:", cases[i].host);
        assert_string_equal(listener.host, cases[i].host);
        assert_memory_equal(listener.url, start, strlen(start));
        assert_string_not_equal(listener.url + strlen(start), "0");
        assert_true(fcntl(listener.socket, F_GETFD) & FD_CLOEXEC);
        close(listener.socket);
    }
}

static void taken_port_is_told(void **state)
{
    (void)state;
    struct listener first, second;
    struct server_problem problem = {0};
    assert_true(listener_open("127.0.0.1:0", &first, &problem));
    assert_false(listener_open(first.url + strlen("http://"), &second, &problem));
    assert_non_null(strstr(problem.detail, first.url + strlen("http://")));
    close(first.socket);
}

static void nonsense_is_refused(void **state)
{
    (void)state;
    static const char *const cases[] = {
        "",           "127.0.0.1", "127.0.0.1:",  ":80", "127.0.0.1:65536", "127.0.0.1:x",
        "example:80", "[::1:80",   "127.0.0.1:8 "};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct listener listener;
        struct server_problem problem = {0};
        if (listener_open(cases[i], &listener, &problem))
            fail_msg("\"%s\" was taken", cases[i]);
        assert_true(problem.code == SERVER_PROBLEM_UNAVAILABLE);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(port_0_takes_a_free_one),
        cmocka_unit_test(taken_port_is_told),
        cmocka_unit_test(nonsense_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
