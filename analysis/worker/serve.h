/** The worker's side of the wire: one request at a time until the daemon hangs up. */
#ifndef ANALYSIS_WORKER_SERVE_H
#define ANALYSIS_WORKER_SERVE_H

#include <stdbool.h>

/** Serves requests on the socket (borrowed). A bad request is answered with a problem.
 * Returns true when the other end closed between two frames, false when the conversation
 * broke. */
bool serve_run(int socket);

#endif
