/* ping_pong WORKER: for each line read from standard input, 100 requests to a warm worker
 * through the daemon's pool (workers_run), each refused at once (there is no such
 * request), and 100 round trips of two messages of the same sizes between two bare
 * processes over a socketpair. Prints the seconds of one of each. Now and then a worker
 * is retired and another started meanwhile: that is no dispatch to a warm worker, and the
 * median of several lines leaves it out. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <jansson.h>

#include "server/workers/workers.h"

enum { ROUNDS = 100, HEADER_BYTES = 8, MOST_BYTES = 1024 };

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void fail(const char *what)
{
    fprintf(stderr, "ping_pong: %s\n", what);
    exit(1);
}

static bool read_all(int socket, char *bytes, size_t count)
{
    for (size_t have = 0; have < count;) {
        ssize_t got = read(socket, bytes + have, count - have);
        if (got <= 0)
            return false;
        have += (size_t)got;
    }
    return true;
}

/* A process that answers so many bytes with so many others. */
static int start_bare(size_t request_bytes, size_t answer_bytes)
{
    int pair[2];
    char bytes[MOST_BYTES] = {0};
    if (socketpair(AF_UNIX, SOCK_STREAM, 0, pair) != 0)
        fail("no socketpair");
    pid_t child = fork();
    if (child < 0)
        fail("no process");
    if (child > 0) {
        close(pair[1]);
        return pair[0];
    }
    close(pair[0]);
    while (read_all(pair[1], bytes, request_bytes))
        if (write(pair[1], bytes, answer_bytes) != (ssize_t)answer_bytes)
            break;
    _exit(0);
}

static double bare_s(int socket, size_t request_bytes, size_t answer_bytes)
{
    char bytes[MOST_BYTES] = {0};
    double begin = now_s();
    for (int i = 0; i < ROUNDS; i++)
        if (write(socket, bytes, request_bytes) != (ssize_t)request_bytes ||
            !read_all(socket, bytes, answer_bytes))
            fail("the bare process has gone");
    return (now_s() - begin) / ROUNDS;
}

static double dispatch_s(struct workers *workers, const json_t *request)
{
    struct workers_call call = {
        .class = WORKERS_JOB,
        .request = request,
        .descriptors = {-1, -1, -1},
        .deadline_s = 10,
    };
    double begin = now_s();
    for (int i = 0; i < ROUNDS; i++) {
        json_t *answer = NULL;
        struct server_problem problem = {0};
        if (workers_run(workers, &call, &answer, &problem) != WORKERS_REFUSED)
            fail("the worker did not refuse");
    }
    return (now_s() - begin) / ROUNDS;
}

int main(int argc, char **argv)
{
    /* As the worker words it, so that the bare messages are as long. */
    static const char text[] = "{\"request\":\"nothing\"}";
    static const char answer[] =
        "{\"answer\":\"problem\",\"code\":\"out_of_range\",\"field\":\"request\","
        "\"detail\":\"The request must be describe, inspect, measure or render, not "
        "nothing.\"}";
    const size_t request_bytes = HEADER_BYTES + sizeof text - 1;
    const size_t answer_bytes = HEADER_BYTES + sizeof answer - 1;
    struct workers *workers = NULL;
    struct server_problem problem = {0};
    json_t *request = json_loads(text, 0, NULL);
    if (argc != 2 || !request)
        fail("usage: ping_pong WORKER <LINES");
    int bare = start_bare(request_bytes, answer_bytes); /* before there are threads */
    struct workers_config config = {.program = argv[1], .count = 1};
    if (!workers_start(&config, &workers, &problem))
        fail(problem.detail);
    for (char line[16]; fgets(line, sizeof line, stdin);) {
        double ours = dispatch_s(workers, request);
        printf("%.9f %.9f\n", ours, bare_s(bare, request_bytes, answer_bytes));
        fflush(stdout);
    }
    workers_stop(workers);
    json_decref(request);
    close(bare);
    wait(NULL);
    return 0;
}
