/**
 * What a worker gives up before it sees the first byte of a recording: it dies with the
 * daemon, cannot be traced or dump core, gains no privileges, and has bounds on memory,
 * file sizes and descriptors. It also yields the processor to the daemon (nice 10).
 */
#ifndef ANALYSIS_WORKER_CONFINE_H
#define ANALYSIS_WORKER_CONFINE_H

#include <stdbool.h>

#include "analysis/core/problem.h"

enum { CONFINE_NICE = 10, CONFINE_DESCRIPTORS = 32 };

#define CONFINE_MEMORY_BYTES (4LL << 30)
/* A rendered WAV file may come close to 4 GiB. */
#define CONFINE_FILE_BYTES (8LL << 30)

/** For good. False with IO when the kernel refuses. */
bool confine_enter(struct problem *problem) __attribute__((warn_unused_result));

#endif
