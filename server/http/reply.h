/** Replies: JSON, problems (RFC 9457), anything else. A request has one; the last one set
 *  counts. Every reply carries nosniff and no-store; a stable representation instead its
 *  entity tag and no-cache: it may be kept, and is asked about before it is used again.
 */
#ifndef SERVER_HTTP_REPLY_H
#define SERVER_HTTP_REPLY_H

#include <stdbool.h>

#include <jansson.h>
#include <microhttpd.h>

#include "server/base/problem.h"
#include "server/http/request.h"

/** Takes `body` over; NULL (no memory, or text that is not UTF-8) becomes a 503. */
void reply_json(struct request *request, unsigned status, json_t *body);

/** The problem with its status, and Retry-After or Allow where it goes with them. Logs
 * what is the daemon's own fault: here the problem stops travelling. */
void reply_problem(struct request *request, const struct server_problem *problem);

/** Within a body, where the library takes no answer: writes the problem to the socket
 * itself. The connection is to be closed next. Nothing has been sent for this request,
 * and all answers before it are out, so that it is the next thing the client reads. Only
 * where the socket's bytes are HTTP as they are. */
void reply_problem_within_body(struct request *request,
                               const struct server_problem *problem);

/** Takes `response` over; NULL becomes a 503. content_type may be NULL (no body). */
void reply_response(struct request *request, unsigned status, const char *content_type,
                    struct MHD_Response *response);

/** As reply_response for a stable representation, 200 or 206, with its tag; 304 without a
 * body where the request names the tag already (If-None-Match). A response of unknown
 * length must not get that far: reply_not_modified is asked before. */
void reply_tagged(struct request *request, unsigned status, const char *content_type,
                  const char *etag, struct MHD_Response *response);
/** As reply_json with 200, the tag being made of the text and `prefix`. */
void reply_json_tagged(struct request *request, const char *prefix, json_t *body);
/** Sets the 304 and returns true where the request names the tag already. Spares the work
 * for a representation that need not be sent. `bytes` are those it would have: a 304 has
 * this Content-Length or none; −1 where nobody knows, which closes the connection (the
 * library knows no other answer without a length). */
bool reply_not_modified(struct request *request, const char *etag, int64_t bytes)
    __attribute__((warn_unused_result));

/** 204: done, and there is nothing to tell. */
void reply_nothing(struct request *request);

/** Adds a header to the reply set before. */
void reply_header(struct request *request, const char *name, const char *value);

/** Text of a problem or a tester as a JSON string, also where its bytes were cut within a
 *  character: those bytes become '?'. Gives. */
json_t *reply_text(const char *text);

#endif
