/** What becomes of a request's header and body: checked, taken in, or dropped. */
#ifndef SERVER_HTTP_INTAKE_H
#define SERVER_HTTP_INTAKE_H

#include <stdbool.h>
#include <stddef.h>

#include "server/http/request.h"

/** A body that is refused is read and dropped while it is no longer than this as
 * declared: the connection then goes on. Else the answer comes at once. Where a body is
 * dropped, and where a connection lingers after its answer, it is within these bounds. */
enum { INTAKE_SMALL_BYTES = 1 << 20, INTAKE_DROP_MS = 60000 };
#define INTAKE_DROP_BYTES (INT64_C(16) << 30)

/** The header is whole. False: request->refusal is to be answered now, which closes the
 * connection, and request->early tells whether something may still arrive. */
bool intake_begin(struct request *request, const char *method, const char *version)
    __attribute__((warn_unused_result));

/** Takes a piece of the body; false when it is too long, which has been answered where
 * its length was not declared: the connection is to be closed. */
bool intake_piece(struct request *request, const char *piece, size_t count)
    __attribute__((warn_unused_result));

#endif
