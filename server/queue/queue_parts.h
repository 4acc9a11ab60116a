/** The inside of the queue, for its own files: queue.c and queue_*.c. */
#ifndef SERVER_QUEUE_QUEUE_PARTS_H
#define SERVER_QUEUE_QUEUE_PARTS_H

#include <pthread.h>
#include <stdatomic.h>

#include "server/queue/attempt.h"
#include "server/queue/queue.h"
#include "server/queue/schedule.h"

enum { QUEUE_PARTS_RUNNERS_MAX = QUEUE_RUNNING_MAX };

enum watch_state { WATCHING, CALLING, CALLED };

struct queue_watch {
    struct queue_watch *next; /* of the same job */
    struct job *job;          /* NULL once it has left the job's list */
    enum watch_state state;
    void (*ended)(void *context);
    void *context;
};

struct queue {
    struct queue_config config;
    pthread_t threads[QUEUE_PARTS_RUNNERS_MAX];
    int thread_count;
    atomic_bool stopping;
    pthread_mutex_t lock;
    pthread_cond_t changed; /* a job waits, a watch was called, or the queue stops */
    struct schedule *schedule;
    int reserved;       /* jobs whose row is being committed … */
    uint64_t additions; /* … and how many times one was, well or not */
    /* since the start: */
    unsigned long ended[STORE_CANCELLED + 1];     /* analyses by state */
    unsigned long looked_at[STORE_CANCELLED + 1]; /* health of captures by state */
    unsigned long quarantined;
    unsigned long took[QUEUE_DURATIONS];
    int64_t took_ms;
};

/** A runner: takes jobs and sees them to their end until the queue stops. */
void *queue_run_thread(void *queue);

/** Sees the health job to its end: it has left the queue. False when the queue stops
 * first. */
bool queue_health_run(struct queue *queue, struct job *job)
    __attribute__((warn_unused_result));
/** Adds a job for the capture's health where its row says queued and there is none. */
void queue_health_ensure(struct queue *queue, const char *capture);

/** Waits *wait_ms and doubles it (1 s at first, 30 s at most); not longer than *give_up
 * (or NULL) lets it. False when the queue stops. */
enum { QUEUE_RUN_RETRY_MS = 1000 };
bool queue_run_pause(struct queue *queue, const atomic_bool *give_up, int *wait_ms)
    __attribute__((warn_unused_result));
/** What attempts at the job are made with; `telling` outlives them. */
struct queue_run_telling {
    struct queue *queue;
    struct job *job;
};
struct attempt queue_run_attempt(struct queue_run_telling *telling);
/** Whether a recording that failed so is kept from workers from now on: so many died over
 * it as may, or one was killed because it tried to leave its confinement. */
bool queue_run_quarantines(int deaths, enum server_problem_code code);
/** The problem of a job whose worker died LIMIT_WORKER_ATTEMPTS times. */
void queue_run_crashed(const char *capture, struct server_problem *ret);

/** Calls the watches of a job that has ended, one by one and without the lock, so that
 * they may call the queue. Called with the lock. */
void queue_watch_call(struct queue *queue, struct job *job);

/** The job leaves: out of the schedule, its watches called, freed. Called with the lock.
 */
void queue_watch_end(struct queue *queue, struct job *job);

#endif
