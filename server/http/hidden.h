/**
 * Zero bytes in a request's line and header. The library gives texts that end at the
 * first of them, and no lengths: "127.0.0.1" may be the begin of a longer value. It takes
 * the texts from one piece of memory, though, so that where the next one begins tells
 * whether something stands between. Only addresses are compared; texts that do not lie
 * near each other tell nothing and pass.
 */
#ifndef SERVER_HTTP_HIDDEN_H
#define SERVER_HTTP_HIDDEN_H

#include <stdbool.h>
#include <stdint.h>

#include <microhttpd.h>

#include "server/base/problem.h"

/** The request line as it was received. */
struct hidden_line {
    const char *method;
    uintptr_t target; /* where it stood, and … */
    uintptr_t target_end;
    const char *version;
};

/** False with BAD_REQUEST where bytes hide in the line, or behind a header's value. */
bool hidden_check(struct MHD_Connection *connection, const struct hidden_line *line,
                  struct server_problem *problem) __attribute__((warn_unused_result));

#endif
