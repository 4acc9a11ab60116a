/* Times are given room: a loaded machine is late, but never early. */
#include "tests/support/support.h"

#include <poll.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/http/connections.h"

enum { NEW_MS = 100, IDLE_MS = 400, FOREVER_MS = 3600000, PAIRS = 16 };

/* Ours and the client's end of each. */
struct pairs {
    struct connections *connections;
    int ours[PAIRS], theirs[PAIRS];
    struct connection *connection[PAIRS];
    int count;
};

static void start(struct pairs *pairs, int limit, int new_ms, int idle_ms)
{
    const struct connections_config config = {limit, new_ms, idle_ms};
    struct server_problem problem = {0};
    *pairs = (struct pairs){0};
    assert_true(connections_start(&config, &pairs->connections, &problem));
}

static void add(struct pairs *pairs)
{
    int both[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, both), 0);
    int i = pairs->count++;
    pairs->ours[i] = both[0];
    pairs->theirs[i] = both[1];
    pairs->connection[i] = connections_add(pairs->connections, both[0]);
    assert_non_null(pairs->connection[i]);
}

static void stop(struct pairs *pairs)
{
    for (int i = 0; i < pairs->count; i++) {
        connections_remove(pairs->connections, pairs->connection[i]);
        close(pairs->ours[i]);
        close(pairs->theirs[i]);
    }
    connections_stop(pairs->connections);
}

/* Whether the client sees the end within so long. */
static bool ends_within(const struct pairs *pairs, int i, int wait_ms)
{
    struct pollfd wait = {.fd = pairs->theirs[i], .events = POLLIN};
    return poll(&wait, 1, wait_ms) == 1;
}

static void one_without_a_request_ends_first(void **state)
{
    (void)state;
    struct pairs pairs;
    start(&pairs, 100, NEW_MS, IDLE_MS);
    int64_t begun_ms = clock_monotonic_ms();
    add(&pairs);
    add(&pairs);
    connections_begin(pairs.connection[1]);
    connections_end(pairs.connection[1]);
    assert_true(ends_within(&pairs, 0, 20000));
    assert_true(clock_monotonic_ms() - begun_ms >= NEW_MS);
    assert_true(ends_within(&pairs, 1, 20000));
    assert_true(clock_monotonic_ms() - begun_ms >= IDLE_MS);
    stop(&pairs);
}

static void one_at_work_never_ends(void **state)
{
    (void)state;
    struct pairs pairs;
    start(&pairs, 100, 20, 20);
    add(&pairs);
    connections_begin(pairs.connection[0]);
    assert_false(ends_within(&pairs, 0, 300));
    connections_end(pairs.connection[0]);
    assert_true(ends_within(&pairs, 0, 20000));
    stop(&pairs);
}

/* The client's end of sending, everything being read: then ours reads an end, too, and
 * may still write. Where something is left to read, nothing is done yet. */
static void an_end_of_sending_is_noticed(void **state)
{
    (void)state;
    char byte;
    struct pairs pairs;
    start(&pairs, 100, 20, FOREVER_MS);
    add(&pairs);
    connections_begin(pairs.connection[0]);
    connections_end(pairs.connection[0]);
    assert_int_equal(write(pairs.theirs[0], "x", 1), 1);
    shutdown(pairs.theirs[0], SHUT_WR);
    assert_false(connections_notice_end(pairs.ours[0]));
    assert_int_equal(read(pairs.ours[0], &byte, 1), 1);
    assert_true(connections_notice_end(pairs.ours[0]));
    assert_int_equal(write(pairs.ours[0], "y", 1), 1);
    assert_int_equal(read(pairs.theirs[0], &byte, 1), 1);
    stop(&pairs);
}

/* An edge-triggered poll, as the library's, gets another event of it. */
static void idle_ones_are_looked_at(void **state)
{
    (void)state;
    char byte;
    struct pairs pairs;
    start(&pairs, 100, 200, FOREVER_MS);
    add(&pairs);
    connections_begin(pairs.connection[0]);
    int poller = epoll_create1(EPOLL_CLOEXEC);
    struct epoll_event event = {.events = EPOLLIN | EPOLLET};
    assert_int_equal(epoll_ctl(poller, EPOLL_CTL_ADD, pairs.ours[0], &event), 0);
    assert_int_equal(write(pairs.theirs[0], "x", 1), 1);
    shutdown(pairs.theirs[0], SHUT_WR);
    assert_int_equal(epoll_wait(poller, &event, 1, 20000), 1);
    assert_int_equal(read(pairs.ours[0], &byte, 1), 1);
    assert_int_equal(epoll_wait(poller, &event, 1, 100), 0); /* at work: left alone */
    connections_end(pairs.connection[0]);
    assert_int_equal(epoll_wait(poller, &event, 1, 20000), 1);
    close(poller);
    stop(&pairs);
}

/* Of 16, an eighth is 2: from the 14th on each ends one. */
static void the_longest_idle_makes_room(void **state)
{
    (void)state;
    struct pairs pairs;
    start(&pairs, 16, FOREVER_MS, FOREVER_MS);
    add(&pairs);
    connections_begin(pairs.connection[0]);
    for (int i = 1; i < 13; i++) {
        add(&pairs);
        usleep(2000); /* the clock counts milliseconds */
    }
    for (int i = 0; i < 13; i++)
        assert_false(ends_within(&pairs, i, 0));
    connections_begin(pairs.connection[1]);
    connections_end(pairs.connection[1]); /* idle since just now */
    add(&pairs);
    assert_true(ends_within(&pairs, 2, 0));
    add(&pairs);
    assert_true(ends_within(&pairs, 3, 0));
    for (int i = 0; i < pairs.count; i++)
        assert_int_equal(ends_within(&pairs, i, 0), i == 2 || i == 3);
    stop(&pairs);
}

static void the_limit_follows_the_descriptors(void **state)
{
    (void)state;
    struct rlimit former, files;
    assert_int_equal(getrlimit(RLIMIT_NOFILE, &former), 0);
    files = former;
    files.rlim_cur = 1024;
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &files), 0);
    int one = connections_limit(1, 124, 4), three = connections_limit(3, 124, 4);
    files.rlim_cur = 64;
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &files), 0);
    int few = connections_limit(1, 124, 4);
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &former), 0);
    assert_int_equal(one, 450);   /* (1024 − 124) / 2 */
    assert_int_equal(three, 150); /* a third of it */
    assert_int_equal(few, 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_without_a_request_ends_first),
        cmocka_unit_test(one_at_work_never_ends),
        cmocka_unit_test(an_end_of_sending_is_noticed),
        cmocka_unit_test(idle_ones_are_looked_at),
        cmocka_unit_test(the_longest_idle_makes_room),
        cmocka_unit_test(the_limit_follows_the_descriptors),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
