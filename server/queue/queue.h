/**
 * What runs next. Jobs live in memory; rows hold `queued` or a final state, and all
 * queued rows are loaded at start. One thread per worker takes jobs, fairly between
 * testers (round robin over testers with jobs waiting; oldest first within one), runs
 * them and records the end.
 */
#ifndef SERVER_QUEUE_QUEUE_H
#define SERVER_QUEUE_QUEUE_H

#include <stdbool.h>

#include "server/base/problem.h"
#include "server/store/spool.h"
#include "server/store/store.h"
#include "server/workers/workers.h"

struct queue;

struct queue_config {
    struct store *store;
    struct spool *spool;
    struct workers *workers;
    int runners; /* as many as workers for jobs */
};

bool queue_start(const struct queue_config *config, struct queue **ret,
                 struct server_problem *problem) __attribute__((warn_unused_result));
/** Stops: running jobs are given up (their rows stay queued), waiters are woken, the
 * queue is freed. NULL is accepted. Nobody may call the queue any more, queue_unwatch
 * included: the http room is stopped before, the workers after. */
void queue_stop(struct queue *queue);

/** Commits the row, then queues it. QUEUE_FULL when LIMIT_QUEUE_LENGTH wait. */
bool queue_add(struct queue *queue, const struct store_analysis *analysis,
               struct server_problem *problem) __attribute__((warn_unused_result));
/** The same once for a key: as store_analysis_add_once. */
bool queue_add_once(struct queue *queue, const struct store_analysis *analysis,
                    const struct store_key *key, char made[ID_BYTES],
                    struct server_problem *problem) __attribute__((warn_unused_result));

/** One that waits is cancelled when this returns, durably; the worker of one that runs is
 * killed, and it ends soon, as cancelled unless it was done before (queue_watch tells).
 * One that has ended stays as it is. NOT_FOUND. */
bool queue_cancel(struct queue *queue, const char *id, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Waits while an analysis whose row is there is still being queued by another thread, so
 * that queue_watch finds it: for who was told its id by the row alone. May block as long
 * as a commit does. */
void queue_await(struct queue *queue, const char *id);

struct queue_view {
    struct store_analysis analysis; /* state may be STORE_RUNNING */
    int position;                   /* queued: 1 = next */
    double progress;                /* running: 0…1 */
};
/** The live state, or the stored one when it ended. False with *problem untouched: no
 * such analysis; with it set: it could not be told. */
bool queue_get(struct queue *queue, const char *id, struct queue_view *ret,
               struct server_problem *problem) __attribute__((warn_unused_result));
void queue_view_free(struct queue_view *view);

/** Calls `ended` once (on another thread) when the analysis has ended, or at once when it
 * has already; queue_unwatch makes sure that it is not called any more (waits while it is
 * under way, so `ended` must not unwatch) and frees the watch. *ret is filled before
 * `ended` is called. The http room uses it to resume suspended connections. False: no
 * such analysis, or it could not be told: queue_get says which. */
struct queue_watch;
bool queue_watch(struct queue *queue, const char *id, void (*ended)(void *context),
                 void *context, struct queue_watch **ret)
    __attribute__((warn_unused_result));
void queue_unwatch(struct queue *queue, struct queue_watch *watch);

/** Fills the ids of the analyses that run; how many. */
enum { QUEUE_RUNNING_MAX = 64 };
int queue_running(struct queue *queue, char ids[QUEUE_RUNNING_MAX][ID_BYTES]);

/* How long analyses take: those of the last group longer than the longest bound. */
enum { QUEUE_DURATIONS = 8 };
extern const int queue_duration_ms[QUEUE_DURATIONS - 1]; /* bounds, ascending */

struct queue_status {
    int waiting, running;
    int64_t oldest_ms; /* wall clock: when the oldest that waits was made; 0: none */
    /* since the start: */
    unsigned long done, failed, cancelled;
    unsigned long took[QUEUE_DURATIONS]; /* done ones that took at most the bound, and
                                            longer than the one before it */
    int64_t took_ms;                     /* all of them together */
};
struct queue_status queue_status(struct queue *queue);

#endif
