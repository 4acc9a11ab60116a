#include "server/http/connections.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>

#include "server/base/clock.h"

enum {
    DESCRIPTORS_EACH = 2, /* its socket and the file of an upload or an answer */
    CONNECTIONS_MAX = 4096,
    LOOKS = 10,
    SPARE_PART = 8, /* the last eighth of the limit is kept for those who ask */
};

struct connection {
    int file;
    /* Written by the connection's own thread without the lock of all: every request
     * would take it twice. */
    _Atomic int64_t idle_since_ms;
    atomic_bool asked; /* a request has been answered before */
    atomic_bool busy;
    bool sent_all; /* the client has ended its sending, and the library knows */
    bool ended;
    struct connection *previous, *next;
};

struct connections {
    struct connections_config config;
    pthread_mutex_t lock;
    pthread_cond_t changed;
    pthread_t thread;
    struct connection *first;
    int count; /* but for those that were ended and are only not removed yet */
    bool stopping;
};

static void end(struct connections *connections, struct connection *connection)
{
    connections->count--;
    connection->ended = true;
    shutdown(connection->file, SHUT_RDWR);
}

static bool is_idle(const struct connection *connection)
{
    return !connection->busy && !connection->ended;
}

bool connections_notice_end(int file)
{
    char byte;
    bool ended = recv(file, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0;
    if (ended)
        shutdown(file, SHUT_RD); /* an event; an answer under way still goes out */
    return ended;
}

static void end_due(struct connections *connections, int64_t now_ms)
{
    const struct connections_config *config = &connections->config;
    for (struct connection *each = connections->first; each != NULL; each = each->next) {
        int64_t time_ms = each->asked ? config->idle_ms : config->new_ms;
        if (is_idle(each) && now_ms - each->idle_since_ms >= time_ms)
            end(connections, each);
        else if (is_idle(each) && !each->sent_all)
            each->sent_all = connections_notice_end(each->file);
    }
}

static void end_longest_idle(struct connections *connections)
{
    struct connection *longest = NULL;
    for (struct connection *each = connections->first; each != NULL; each = each->next)
        if (is_idle(each) &&
            (longest == NULL || each->idle_since_ms < longest->idle_since_ms))
            longest = each;
    if (longest != NULL)
        end(connections, longest);
}

/* Looks ten times within the shorter time, and not at all where nobody is connected. */
static void *run(void *context)
{
    struct connections *connections = context;
    pthread_mutex_lock(&connections->lock);
    while (!connections->stopping) {
        int64_t now_ms = clock_monotonic_ms();
        int64_t next_ms = now_ms + connections->config.new_ms / LOOKS;
        end_due(connections, now_ms);
        if (connections->first == NULL) {
            pthread_cond_wait(&connections->changed, &connections->lock);
        } else {
            struct timespec at = {.tv_sec = next_ms / 1000,
                                  .tv_nsec = next_ms % 1000 * 1000000};
            pthread_cond_timedwait(&connections->changed, &connections->lock, &at);
        }
    }
    pthread_mutex_unlock(&connections->lock);
    return NULL;
}

bool connections_start(const struct connections_config *config, struct connections **ret,
                       struct server_problem *problem)
{
    struct connections *connections = calloc(1, sizeof *connections);
    if (connections == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory for the list of connections.");
    connections->config = *config;
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_mutex_init(&connections->lock, NULL);
    pthread_cond_init(&connections->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (pthread_create(&connections->thread, NULL, run, connections) != 0) {
        pthread_cond_destroy(&connections->changed);
        pthread_mutex_destroy(&connections->lock);
        free(connections);
        return server_problem_set(
            problem, SERVER_PROBLEM_UNAVAILABLE, "",
            "The thread that ends idle connections could not be started.");
    }
    *ret = connections;
    return true;
}

void connections_stop(struct connections *connections)
{
    if (connections == NULL)
        return;
    pthread_mutex_lock(&connections->lock);
    connections->stopping = true;
    pthread_cond_signal(&connections->changed);
    pthread_mutex_unlock(&connections->lock);
    pthread_join(connections->thread, NULL);
    pthread_cond_destroy(&connections->changed);
    pthread_mutex_destroy(&connections->lock);
    free(connections);
}

struct connection *connections_add(struct connections *connections, int file)
{
    struct connection *connection = calloc(1, sizeof *connection);
    if (connection == NULL)
        return NULL;
    pthread_mutex_lock(&connections->lock);
    int limit = connections->config.limit;
    if (++connections->count >= limit - limit / SPARE_PART)
        end_longest_idle(connections);
    connection->file = file;
    connection->idle_since_ms = clock_monotonic_ms();
    connection->next = connections->first;
    if (connection->next != NULL)
        connection->next->previous = connection;
    else
        pthread_cond_signal(&connections->changed);
    connections->first = connection;
    pthread_mutex_unlock(&connections->lock);
    return connection;
}

void connections_remove(struct connections *connections, struct connection *connection)
{
    if (connection == NULL)
        return;
    pthread_mutex_lock(&connections->lock);
    if (!connection->ended)
        connections->count--;
    if (connection->previous != NULL)
        connection->previous->next = connection->next;
    else
        connections->first = connection->next;
    if (connection->next != NULL)
        connection->next->previous = connection->previous;
    pthread_mutex_unlock(&connections->lock);
    free(connection);
}

void connections_begin(struct connection *connection)
{
    if (connection != NULL)
        connection->busy = true;
}

void connections_end(struct connection *connection)
{
    if (connection == NULL)
        return;
    connection->idle_since_ms = clock_monotonic_ms();
    connection->asked = true;
    connection->busy = false;
}

int connections_limit(int listeners, int reserved, int least)
{
    struct rlimit files;
    int limit = CONNECTIONS_MAX;
    if (getrlimit(RLIMIT_NOFILE, &files) == 0 &&
        files.rlim_cur < (rlim_t)reserved + (rlim_t)CONNECTIONS_MAX * DESCRIPTORS_EACH)
        limit = ((int)files.rlim_cur - reserved) / DESCRIPTORS_EACH;
    limit /= listeners;
    return limit > least ? limit : least;
}
