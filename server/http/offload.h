/**
 * Threads for what may block (fsync, commits, workers) while the connection is suspended:
 * the few threads that serve connections must never wait for a disk.
 */
#ifndef SERVER_HTTP_OFFLOAD_H
#define SERVER_HTTP_OFFLOAD_H

#include <stdbool.h>

#include "server/base/problem.h"

struct offload;

struct offload_task { /* embedded in what it works on */
    void (*run)(void *context);
    void *context;
    struct offload_task *next;
};

bool offload_start(int threads, struct offload **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Ends every task submitted, then the threads. NULL is accepted. */
void offload_stop(struct offload *offload);

/** Runs task->run(task->context) on one of the threads, first come first served. False
 * once stopping: the task is not run. */
bool offload_submit(struct offload *offload, struct offload_task *task)
    __attribute__((warn_unused_result));

#endif
