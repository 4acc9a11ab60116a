/** Replies: JSON, problems (RFC 9457), anything else. A request has one; the last one set
 *  counts. Every reply carries nosniff and no-store. */
#ifndef SERVER_HTTP_REPLY_H
#define SERVER_HTTP_REPLY_H

#include <jansson.h>
#include <microhttpd.h>

#include "server/base/problem.h"
#include "server/http/request.h"

/** Takes `body` over; NULL (no memory, or text that is not UTF-8) becomes a 503. */
void reply_json(struct request *request, unsigned status, json_t *body);

/** The problem with its status, and Retry-After or Allow where it goes with them. Logs
 * what is the daemon's own fault: here the problem stops travelling. */
void reply_problem(struct request *request, const struct server_problem *problem);

/** Takes `response` over; NULL becomes a 503. content_type may be NULL (no body). */
void reply_response(struct request *request, unsigned status, const char *content_type,
                    struct MHD_Response *response);

/** Adds a header to the reply set before. */
void reply_header(struct request *request, const char *name, const char *value);

/** Text of a problem or a tester as a JSON string, also where its bytes were cut within a
 *  character: those bytes become '?'. Gives. */
json_t *reply_text(const char *text);

#endif
