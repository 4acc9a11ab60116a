/**
 * A request on its way: what was asked, what a handler needs, the reply under
 * construction. One thread works on it at a time; a suspended request belongs to whoever
 * resumes it.
 */
#ifndef SERVER_HTTP_REQUEST_H
#define SERVER_HTTP_REQUEST_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

#include <jansson.h>
#include <microhttpd.h>

#include "server/http/body.h"
#include "server/http/connections.h"
#include "server/http/deadlines.h"
#include "server/http/finished.h"
#include "server/http/headers.h"
#include "server/http/http.h"
#include "server/http/lingering.h"
#include "server/http/metrics.h"
#include "server/http/offload.h"
#include "server/http/openapi.h"
#include "server/http/router.h"
#include "server/http/target.h"
#include "server/http/values.h"

/** Whose a request is: everybody is the same tester. */
#define REQUEST_TESTER "local"

/** What all requests share. */
struct request_context {
    struct http_config config;
    const char *hosts[OPTIONS_LISTENERS_MAX + OPTIONS_HOST_NAMES_MAX + 4];
    struct connections *connections;
    struct deadlines *deadlines;
    struct offload *offload;
    struct finished *finished;
    struct openapi *openapi;
    struct lingering *lingering;
    struct metrics metrics;
    atomic_bool stopping;
    atomic_int active; /* requests under way */
    atomic_int renders;
};

struct request {
    struct request_context *shared;
    struct MHD_Connection *connection;

    char *raw_target;
    uintptr_t received_at; /* where the library held it: an address only */
    struct target target;
    struct headers headers;
    struct router_match match;
    struct body body;
    json_t *json; /* the body of a ROUTE_BODY_JSON */

    /* How far it is. */
    bool begun;           /* the first call was made */
    bool head;            /* the method is HEAD */
    bool unsafe;          /* the method may change something */
    bool worked;          /* route->work was run */
    bool paused;          /* suspended since the last call (its own thread only) */
    int64_t body_bytes;   /* read so far */
    size_t largest_piece; /* of those read */
    struct server_problem refusal; /* the body is dropped, then this is the reply */
    int64_t drop_until_ms;         /* monotonic; 0: nothing has been dropped */
    bool doubtful;                 /* the header can be read in two ways */
    bool early;                    /* answered before all that may arrive */

    /* The reply under construction. */
    unsigned status;
    struct MHD_Response *response;
    struct finished_answer *kept; /* instead of a response; not to be changed */

    /* Suspension: whoever turns `suspended` to false resumes the connection. */
    atomic_bool suspended;
    struct offload_task task;
    struct deadline deadline;

    /* An upload. */
    struct spool_upload *upload;
    uint8_t digest[VALUES_SHA256_BYTES];
    bool has_digest;

    /* An analysis being waited for. */
    char analysis[ID_BYTES];
    struct queue_watch *watch;
    bool waited;
};

/** Gives a request for the target as it stood in the request line, or NULL. */
struct request *request_new(struct request_context *shared, const char *raw_target);
/** Lets go of everything, an upload not kept included. NULL is accepted. */
void request_free(struct request *request);

/** Suspends the connection (on its own thread only). */
void request_suspend(struct request *request);
/** Resumes it if nobody has yet; the request must not be touched afterwards. */
void request_resume(struct request *request);

/** True when the body is in, is to be JSON, and has not been parsed yet. */
bool request_lacks_json(const struct request *request);

/** Shorthands. */
const char *request_parameter(const struct request *request, const char *name);
static inline const char *request_argument(const struct request *request, int index)
{
    return request->match.arguments[index];
}

#endif
