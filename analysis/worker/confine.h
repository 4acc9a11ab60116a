/**
 * What a worker gives up before it sees the first byte of a recording: it dies with the
 * daemon, cannot be traced or dump core, gains no privileges, has bounds on memory, file
 * sizes and descriptors, reaches no file (confine_files.h), and makes no system call but
 * those that an analysis needs (confine_calls.h). It also yields the processor to the
 * daemon (nice 10).
 *
 * What is left to it: memory, and the descriptors that it was given.
 */
#ifndef ANALYSIS_WORKER_CONFINE_H
#define ANALYSIS_WORKER_CONFINE_H

#include <stdbool.h>

#include "analysis/core/problem.h"

/* The address sanitizers reserve terabytes, read /proc, and at the end look at their own
 * process as a debugger does. Under them memory stays without a limit, the process can be
 * traced, files can be read, and only the calls that reach out are forbidden. */
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define CONFINE_SANITIZED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define CONFINE_SANITIZED 1
#endif
#endif
#ifndef CONFINE_SANITIZED
#define CONFINE_SANITIZED 0
#endif

enum { CONFINE_NICE = 10, CONFINE_DESCRIPTORS = 32 };

#define CONFINE_MEMORY_BYTES (4LL << 30)
/* A rendered WAV file may come close to 4 GiB. */
#define CONFINE_FILE_BYTES (8LL << 30)

/** For good. The process has one thread. False with IO when the kernel refuses. */
bool confine_enter(struct problem *problem) __attribute__((warn_unused_result));

#endif
