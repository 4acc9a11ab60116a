/**
 * The order of the waiting jobs. There are two kinds: a look at the health of a capture,
 * whose id it bears, and an analysis. Health goes first; within a kind it is round robin
 * over the testers that have some, oldest first within one. An analysis is passed over
 * while the health of a capture that it needs waits or runs. And an index of all jobs by
 * id, running ones included. Not thread-safe: the queue's lock guards it.
 */
#ifndef SERVER_QUEUE_SCHEDULE_H
#define SERVER_QUEUE_SCHEDULE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

#include "server/store/store.h"

struct tester;
struct queue_watch;

struct job {
    bool health; /* of a capture: then id, tester, attempts and created_ms alone count */
    struct store_analysis
        analysis; /* owned; state is STORE_QUEUED until the job has left */
    bool running;
    bool cancelled;      /* by its tester: it is to end so */
    bool again;          /* health that runs: what it looks at has changed */
    atomic_bool give_up; /* whoever is at it stops */
    double progress;
    struct queue_watch *watches; /* owned by those who watch */
    /* the schedule's own */
    struct tester *tester;
    uint64_t number; /* counts the jobs of its tester */
    struct job *next_of_tester, *next_of_bucket;
};

/** A copy of the analysis, to be given to schedule_add. NULL when memory is short. */
struct job *schedule_job_new(const struct store_analysis *analysis);
/** The same for the health of a capture. */
struct job *schedule_health_new(const struct store_capture *capture);
void schedule_job_free(struct job *job);

struct schedule;

struct schedule *schedule_new(void);
/** Frees what is still in it, jobs included; NULL is accepted. */
void schedule_free(struct schedule *schedule);

/** Takes the job over and puts it last of its tester's. False when memory is short: the
 * job stays the caller's. */
bool schedule_add(struct schedule *schedule, struct job *job)
    __attribute__((warn_unused_result));
/** The job whose turn it is, running from now on, or NULL. It stays in the index. */
struct job *schedule_take(struct schedule *schedule);
/** An analysis that was taken too early waits again, first of its tester's. False when
 * memory is short: it still runs. */
bool schedule_return(struct schedule *schedule, struct job *job)
    __attribute__((warn_unused_result));
/** Takes a job, waiting or running, out of the turns and the index and gives it back. */
void schedule_remove(struct schedule *schedule, struct job *job);

/** Borrowed, or NULL. */
struct job *schedule_find(const struct schedule *schedule, const char *id);
/** Calls `each` for every job; it must not change the schedule. */
void schedule_each(const struct schedule *schedule,
                   void (*each)(struct job *job, void *context), void *context);
/** When a waiting job's turn comes if no other is added: 1 = next. */
int schedule_position(const struct schedule *schedule, const struct job *job);
/** How many of the kind. */
int schedule_waiting(const struct schedule *schedule, bool health);
int schedule_running(const struct schedule *schedule, bool health);
/** When the oldest waiting analysis was made (wall clock); 0 where none waits. */
int64_t schedule_oldest_ms(const struct schedule *schedule);

#endif
