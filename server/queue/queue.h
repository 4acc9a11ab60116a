/**
 * What runs next. Jobs live in memory; rows hold `queued` or a final state, and all
 * queued rows are loaded at start. One thread per worker takes jobs, fairly between
 * testers (round robin over testers with jobs waiting; oldest first within one), runs
 * them and records the end.
 *
 * A job is an analysis, or a look at the health of a capture. Health goes first; an
 * analysis waits until the health of its captures has ended, and the worker is handed
 * what was found. A capture over which LIMIT_WORKER_ATTEMPTS workers have died, in its
 * health or in one analysis, or over which one tried to leave its confinement, is
 * quarantined: its analyses fail without a worker until
 * that is lifted (store_capture_change).
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

/** Commits a capture and the analyses ordered with it, then queues them, and its health
 * where the row says so. QUEUE_FULL when there is no room for the analyses: nothing is
 * kept then; health always has room. With a key (or NULL): as store_capture_add_once. */
enum { QUEUE_ORDERS_MAX = 32 };
bool queue_add_capture(struct queue *queue, const struct store_upload *upload,
                       const struct store_key *key, char made[ID_BYTES],
                       struct server_problem *problem)
    __attribute__((warn_unused_result));
/** QUEUE_FULL when so many analyses more cannot wait. */
bool queue_has_room(struct queue *queue, int count, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** The row of the capture says that its health is queued (again): a look under way is
 * given up and begun anew. */
void queue_health_again(struct queue *queue, const struct store_capture *capture);
/** The row has gone: so does its job. */
void queue_health_drop(struct queue *queue, const char *capture);
/** True while a worker looks at it. */
bool queue_health_runs(struct queue *queue, const char *capture);

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
    int waiting, running; /* analyses */
    int64_t oldest_ms;    /* wall clock: when the oldest that waits was made; 0: none */
    struct {
        int waiting, running;
        unsigned long done, failed; /* since the start */
    } health;
    unsigned long quarantined; /* captures, since the start */
    /* since the start: */
    unsigned long done, failed, cancelled;
    unsigned long took[QUEUE_DURATIONS]; /* done ones that took at most the bound, and
                                            longer than the one before it */
    int64_t took_ms;                     /* all of them together */
};
struct queue_status queue_status(struct queue *queue);

#endif
