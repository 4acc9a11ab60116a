/** Takes the file system away: no path can be opened, made, removed or run any more. */
#ifndef ANALYSIS_WORKER_CONFINE_FILES_H
#define ANALYSIS_WORKER_CONFINE_FILES_H

#include <stdbool.h>

/**
 * Landlock with a rule set that allows nothing, of all that this kernel can take: files
 * (Linux 5.13), TCP (6.7), signals to others and abstract Unix sockets (6.12).
 * Descriptors that are open stay as they are. The process must have no_new_privs.
 *
 * True also where the kernel has no Landlock: then confine_calls alone stands between a
 * worker and the files, and the daemon says so at its start. False with errno.
 */
bool confine_files_enter(void) __attribute__((warn_unused_result));

#endif
