/** The inside of the queue, for its own files: queue.c, queue_run.c, queue_watch.c. */
#ifndef SERVER_QUEUE_QUEUE_PARTS_H
#define SERVER_QUEUE_QUEUE_PARTS_H

#include <pthread.h>
#include <stdatomic.h>

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
    unsigned long ended[STORE_CANCELLED + 1]; /* by state */
    unsigned long took[QUEUE_DURATIONS];
    int64_t took_ms;
};

/** A runner: takes jobs and sees them to their end until the queue stops. */
void *queue_run_thread(void *queue);

/** Calls the watches of a job that has ended, one by one and without the lock, so that
 * they may call the queue. Called with the lock. */
void queue_watch_call(struct queue *queue, struct job *job);

/** The job leaves: out of the schedule, its watches called, freed. Called with the lock.
 */
void queue_watch_end(struct queue *queue, struct job *job);

#endif
