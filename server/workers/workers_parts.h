/* What the files of the pool share. */
#ifndef SERVER_WORKERS_WORKERS_PARTS_H
#define SERVER_WORKERS_WORKERS_PARTS_H

#include <pthread.h>

#include "server/workers/slot.h"
#include "server/workers/workers.h"

enum { SLOTS_MAX = 65 }; /* 64 for jobs and one for inspect */

struct workers {
    char *program;
    pthread_t thread;
    int wake; /* eventfd: a slot has changed */
    pthread_mutex_t lock;
    pthread_cond_t changed; /* a slot, `calls`, `tried` or `stopping` */
    struct slot slots[SLOTS_MAX];
    int slot_count;
    int calls; /* under way */
    bool tried, stopping;
    struct server_problem start_problem;
    unsigned long crashes, timeouts, retired, out_of_memory, violations;
};

/** Lets the pool's thread look at the slots again. */
void workers_wake(struct workers *workers);

#endif
