#include "tests/support/support.h"

#include <errno.h>
#include <netinet/in.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/http/lingering.h"

enum { FOREVER_MS = 600000, PATIENCE_MS = 20000, MANY_BYTES = 8 << 20 };

static struct lingering *start(const struct lingering_config *config)
{
    struct lingering *lingering;
    struct server_problem problem = {0};
    assert_true(lingering_start(config, &lingering, &problem));
    return lingering;
}

/* A client's end; the other one lingers, its own descriptor being closed. */
static int linger(struct lingering *lingering)
{
    int pair[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, pair), 0);
    lingering_add(lingering, pair[1]);
    close(pair[1]);
    return pair[0];
}

static bool ended_within(int client, int time_ms)
{
    struct pollfd polled = {.fd = client, .events = POLLIN};
    return poll(&polled, 1, time_ms) == 1 && (polled.revents & POLLHUP) != 0;
}

/* Sends until all is taken or the other end is closed; gives how much was. */
static size_t send_all(int client, size_t bytes)
{
    static const char piece[64 * 1024];
    size_t sent = 0;
    while (sent < bytes) {
        size_t left = bytes - sent;
        ssize_t put =
            send(client, piece, left < sizeof piece ? left : sizeof piece, MSG_NOSIGNAL);
        if (put < 0)
            break;
        sent += (size_t)put;
    }
    return sent;
}

static void what_arrives_is_dropped_until_the_client_ends(void **state)
{
    (void)state;
    const struct lingering_config config = {4, FOREVER_MS, FOREVER_MS, UINT64_MAX};
    struct lingering *lingering = start(&config);
    int first = linger(lingering), second = linger(lingering);
    assert_int_equal(send_all(first, MANY_BYTES), MANY_BYTES);
    assert_int_equal(send_all(second, MANY_BYTES), MANY_BYTES);
    assert_false(ended_within(first, 300));
    shutdown(first, SHUT_WR);
    assert_true(ended_within(first, PATIENCE_MS));
    assert_int_equal(send_all(second, MANY_BYTES), MANY_BYTES);
    lingering_stop(lingering);
    assert_true(ended_within(second, 0));
    close(first);
    close(second);
}

static void each_is_bounded_in_time(void **state)
{
    (void)state;
    const struct lingering_config config = {4, 300, FOREVER_MS, UINT64_MAX};
    struct lingering *lingering = start(&config);
    int client = linger(lingering);
    int64_t begun_ms = clock_monotonic_ms();
    while (send_all(client, 1) == 1 && clock_monotonic_ms() - begun_ms < PATIENCE_MS)
        usleep(1000);
    int64_t took_ms = clock_monotonic_ms() - begun_ms;
    assert_between((double)took_ms, 300 - 10, PATIENCE_MS - 1);
    close(client);
    lingering_stop(lingering);
}

static void each_is_bounded_in_silence(void **state)
{
    (void)state;
    const struct lingering_config config = {4, FOREVER_MS, 300, UINT64_MAX};
    struct lingering *lingering = start(&config);
    int client = linger(lingering);
    int64_t begun_ms = clock_monotonic_ms();
    while (clock_monotonic_ms() - begun_ms < 1000) {
        assert_int_equal(send_all(client, 1), 1);
        usleep(20000);
    }
    assert_true(ended_within(client, PATIENCE_MS));
    close(client);
    lingering_stop(lingering);
}

static void each_is_bounded_in_bytes(void **state)
{
    (void)state;
    const struct lingering_config config = {4, FOREVER_MS, FOREVER_MS, 1 << 20};
    struct lingering *lingering = start(&config);
    int client = linger(lingering);
    /* what the socket holds comes on top */
    size_t sent = send_all(client, MANY_BYTES);
    assert_between((double)sent, 1 << 20, MANY_BYTES - 1);
    assert_true(errno == EPIPE || errno == ECONNRESET);
    close(client);
    lingering_stop(lingering);
}

static void one_too_many_ends_the_oldest(void **state)
{
    (void)state;
    const struct lingering_config config = {3, FOREVER_MS, FOREVER_MS, UINT64_MAX};
    struct lingering *lingering = start(&config);
    int clients[5];
    for (int i = 0; i < 5; i++)
        clients[i] = linger(lingering);
    for (int i = 0; i < 5; i++) {
        assert_true(ended_within(clients[i], i < 2 ? PATIENCE_MS : 100) == (i < 2));
        close(clients[i]);
    }
    lingering_stop(lingering);
    lingering_stop(NULL);
}

/* The purpose of it: over TCP, unread bytes turn a close into a reset, which takes the
 * answer from the client. */
static void answer_survives_what_is_sent_after_it(void **state)
{
    (void)state;
    const struct lingering_config config = {4, FOREVER_MS, FOREVER_MS, UINT64_MAX};
    struct lingering *lingering = start(&config);
    struct sockaddr_in address = {.sin_family = AF_INET,
                                  .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof address;
    int listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    int client = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(listener, (struct sockaddr *)&address, length), 0);
    assert_int_equal(listen(listener, 1), 0);
    assert_int_equal(getsockname(listener, (struct sockaddr *)&address, &length), 0);
    assert_int_equal(connect(client, (struct sockaddr *)&address, length), 0);
    int server = accept4(listener, NULL, NULL, SOCK_CLOEXEC);
    assert_int_equal(send(server, "no", 2, MSG_NOSIGNAL), 2);
    lingering_add(lingering, server);
    shutdown(server, SHUT_WR);
    close(server);
    char answer[8];
    assert_int_equal(send_all(client, 4 * MANY_BYTES), 4 * MANY_BYTES);
    assert_int_equal(recv(client, answer, sizeof answer, MSG_WAITALL), 2);
    assert_memory_equal(answer, "no", 2);
    close(client);
    close(listener);
    lingering_stop(lingering);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_arrives_is_dropped_until_the_client_ends),
        cmocka_unit_test(each_is_bounded_in_time),
        cmocka_unit_test(each_is_bounded_in_silence),
        cmocka_unit_test(each_is_bounded_in_bytes),
        cmocka_unit_test(one_too_many_ends_the_oldest),
        cmocka_unit_test(answer_survives_what_is_sent_after_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
