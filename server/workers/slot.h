/** The place of one worker process in the pool: started, greeted, idle or busy, ended,
 * reaped, started again. Not thread-safe: the pool's lock guards every field. */
#ifndef SERVER_WORKERS_SLOT_H
#define SERVER_WORKERS_SLOT_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "server/workers/workers.h"

enum {
    SLOT_BACKOFF_MS =
        100, /* wait after the first death at the start, doubled at each more */
    SLOT_BACKOFF_MAX_MS = 5000,
    SLOT_DYING_MS = 50, /* how long one that crashes may take to be gone by itself */
    SLOT_DEATH_MS =
        5000, /* a killed process is gone by then, unless the kernel holds it */
};

enum slot_state {
    SLOT_EMPTY,    /* no process; one is started at due_ms */
    SLOT_STARTING, /* was asked to describe itself; must answer by due_ms */
    SLOT_IDLE,
    SLOT_BUSY,   /* a call has it; only the call may change its state */
    SLOT_ENDING, /* to be killed and reaped */
};

struct slot {
    enum workers_class class;
    enum slot_state state;
    pid_t pid;
    int socket;
    bool unexpected;    /* ENDING: nobody here wanted that */
    bool stopped;       /* it lived when a call took it for crashed */
    bool watched;       /* the pool's thread is told when the process ends */
    unsigned long jobs; /* served by this process */
    int early_deaths;   /* in a row: of processes that served none */
    int64_t due_ms;
};

/** Starts the process (SLOT_STARTING), or leaves the slot empty until its back-off is
 * over. */
bool slot_start(struct slot *slot, const char *program, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Reads the answer of a starting worker, which is known to be readable: idle, or ending.
 * A worker that cannot even start thus never costs a job its attempt. */
void slot_greet(struct slot *slot);

/** True when an idle worker lives and is silent, as it must be. */
bool slot_is_well(const struct slot *slot);

/** Counts a job served. */
void slot_served(struct slot *slot);

/** Marks the process to be killed; `unexpected` when it is its own fault. One that has
 * served nothing yet, and did not end at the hands of a job, is replaced after a
 * back-off. */
void slot_end(struct slot *slot, bool unexpected);

/** For the call that has the slot, which takes its worker for crashed: waits until it has
 * ended, kills it where it does not, and tells whether the kernel had killed it before,
 * for a system call that its confinement forbids (SIGSYS). It is left to slot_reap. */
bool slot_broke_out(struct slot *slot);

enum slot_end {
    SLOT_LIVES,
    SLOT_ENDED,     /* as it was meant to */
    SLOT_DIED,      /* unexpectedly */
    SLOT_BROKE_OUT, /* killed for leaving its confinement, which is logged as critical */
};

/** Kills an ending process and reaps it if it is gone, without waiting: unless
 * SLOT_LIVES, the slot is then empty. */
enum slot_end slot_reap(struct slot *slot);

#endif
