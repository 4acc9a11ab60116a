#include "server/http/deadlines.h"

#include <pthread.h>
#include <stdlib.h>
#include <time.h>

#include "server/base/clock.h"

struct deadlines {
    pthread_mutex_t lock; /* held while firing: removal then waits for a fire under way */
    pthread_cond_t changed;
    pthread_t thread;
    struct deadline *first;
    int fires_below; /* kinds below this one fire at once */
    bool stopping;
};

static void unlink_entry(struct deadlines *deadlines, struct deadline *entry)
{
    if (entry->previous != NULL)
        entry->previous->next = entry->next;
    else
        deadlines->first = entry->next;
    if (entry->next != NULL)
        entry->next->previous = entry->previous;
    entry->waiting = false;
}

/* Fires what is due; returns when the next one is, or INT64_MAX. */
static int64_t fire_due(struct deadlines *deadlines, int64_t now_ms)
{
    int64_t next_ms = INT64_MAX;
    for (struct deadline *entry = deadlines->first, *next; entry != NULL; entry = next) {
        next = entry->next;
        if ((int)entry->kind < deadlines->fires_below || entry->at_ms <= now_ms) {
            unlink_entry(deadlines, entry);
            entry->fire(entry->context);
        } else if (entry->at_ms < next_ms) {
            next_ms = entry->at_ms;
        }
    }
    return next_ms;
}

static void *run(void *context)
{
    struct deadlines *deadlines = context;
    pthread_mutex_lock(&deadlines->lock);
    while (!deadlines->stopping) {
        int64_t next_ms = fire_due(deadlines, clock_monotonic_ms());
        if (next_ms == INT64_MAX) {
            pthread_cond_wait(&deadlines->changed, &deadlines->lock);
        } else {
            struct timespec at = {.tv_sec = next_ms / 1000,
                                  .tv_nsec = next_ms % 1000 * 1000000};
            pthread_cond_timedwait(&deadlines->changed, &deadlines->lock, &at);
        }
    }
    pthread_mutex_unlock(&deadlines->lock);
    return NULL;
}

bool deadlines_start(struct deadlines **ret, struct server_problem *problem)
{
    struct deadlines *deadlines = calloc(1, sizeof *deadlines);
    if (deadlines == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory for the deadlines.");
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_mutex_init(&deadlines->lock, NULL);
    pthread_cond_init(&deadlines->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (pthread_create(&deadlines->thread, NULL, run, deadlines) != 0) {
        pthread_cond_destroy(&deadlines->changed);
        pthread_mutex_destroy(&deadlines->lock);
        free(deadlines);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "The thread for deadlines could not be started.");
    }
    *ret = deadlines;
    return true;
}

void deadlines_stop(struct deadlines *deadlines)
{
    if (deadlines == NULL)
        return;
    pthread_mutex_lock(&deadlines->lock);
    deadlines->stopping = true;
    pthread_cond_signal(&deadlines->changed);
    pthread_mutex_unlock(&deadlines->lock);
    pthread_join(deadlines->thread, NULL);
    pthread_cond_destroy(&deadlines->changed);
    pthread_mutex_destroy(&deadlines->lock);
    free(deadlines);
}

void deadlines_add(struct deadlines *deadlines, struct deadline *entry, int64_t delay_ms)
{
    pthread_mutex_lock(&deadlines->lock);
    if ((int)entry->kind < deadlines->fires_below) {
        entry->fire(entry->context);
    } else {
        entry->at_ms = clock_monotonic_ms() + delay_ms;
        entry->waiting = true;
        entry->previous = NULL;
        entry->next = deadlines->first;
        if (entry->next != NULL)
            entry->next->previous = entry;
        deadlines->first = entry;
        pthread_cond_signal(&deadlines->changed);
    }
    pthread_mutex_unlock(&deadlines->lock);
}

void deadlines_remove(struct deadlines *deadlines, struct deadline *entry)
{
    pthread_mutex_lock(&deadlines->lock);
    if (entry->waiting)
        unlink_entry(deadlines, entry);
    pthread_mutex_unlock(&deadlines->lock);
}

void deadlines_fire_all(struct deadlines *deadlines, enum deadline_kind kind)
{
    pthread_mutex_lock(&deadlines->lock);
    deadlines->fires_below = (int)kind + 1;
    pthread_cond_signal(&deadlines->changed);
    pthread_mutex_unlock(&deadlines->lock);
}
