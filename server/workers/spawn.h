/** Starts one worker process. */
#ifndef SERVER_WORKERS_SPAWN_H
#define SERVER_WORKERS_SPAWN_H

#include <stdbool.h>
#include <sys/types.h>

#include "server/base/problem.h"

enum {
    SPAWN_WORKER_DESCRIPTOR = 3, /* where the worker finds its end of the socket */
    SPAWN_SEND_TIMEOUT_S = 5,    /* a worker that does not read for so long is given up */
};

struct spawn_process {
    pid_t pid;
    int socket; /* our end: close-on-exec */
};

/**
 * Runs `PROGRAM --serve 3` with the socket as descriptor 3, standard input and output on
 * /dev/null, standard error ours, and nothing else open. The worker's environment is
 * PATH, LANG=C, MALLOC_ARENA_MAX=1 and the options of sanitizers; its signals are at
 * their defaults; it is in a process group of its own, so that Ctrl-C reaches the daemon
 * alone. Fails with SERVER_PROBLEM_UNAVAILABLE.
 */
bool spawn_worker(const char *program, struct spawn_process *ret,
                  struct server_problem *problem) __attribute__((warn_unused_result));

#endif
