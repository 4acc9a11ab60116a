/** Leaves a process the system calls that an analysis needs, and no other. */
#ifndef ANALYSIS_WORKER_CONFINE_CALLS_H
#define ANALYSIS_WORKER_CONFINE_CALLS_H

#include <stdbool.h>

/**
 * A seccomp filter, for good: memory without execution, reading and writing of open
 * descriptors, time, and the end of the process. A library that tries to open a file
 * meets EACCES, one that asks a descriptor for a terminal ENOTTY. Any other call kills
 * the process with SIGSYS, which no handler catches: the daemon takes that for an attack.
 *
 * Under sanitizers (CONFINE_SANITIZED) the calls that reach out of the process are killed
 * and all others allowed. False with errno.
 */
bool confine_calls_enter(void) __attribute__((warn_unused_result));

#endif
