#include "server/http/intake.h"

#include <string.h>

#include "server/base/clock.h"
#include "server/http/admission.h"
#include "server/http/hidden.h"
#include "server/http/reply.h"

enum { LARGE_PIECE_BYTES = 8 * 1024 };

/* While a body comes in nobody else looks: the connection is not idle. */
static void notice_end(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    if (info != NULL)
        connections_notice_end(info->connect_fd);
}

static enum MHD_Result take_header(void *context, enum MHD_ValueKind kind,
                                   const char *name, const char *value)
{
    (void)kind;
    headers_take(context, name, value);
    return MHD_YES;
}

bool intake_begin(struct request *request, const char *method, const char *version)
{
    MHD_get_connection_values(request->connection, MHD_HEADER_KIND, take_header,
                              &request->headers);
    const struct hidden_line line = {
        .method = method,
        .target = request->received_at,
        .target_end = request->received_at + strlen(request->raw_target),
        .version = version,
    };
    request->head = strcmp(method, MHD_HTTP_METHOD_HEAD) == 0;
    request->doubtful = !hidden_check(request->connection, &line, &request->refusal);
    bool admitted = !request->doubtful &&
                    admission_check(request, method, version, &request->refusal);
    int64_t body_bytes = headers_body_bytes(&request->headers);
    if (body_bytes != 0)
        notice_end(request->connection);
    bool unsent = body_bytes != 0 && request->headers.expect != NULL;
    bool small = body_bytes >= 0 && body_bytes <= INTAKE_SMALL_BYTES && !unsent;
    if (admitted || (small && !request->doubtful))
        return true;
    request->early = body_bytes != 0 || request->doubtful;
    return false;
}

/* What is refused is read to its end, so that the connection can go on. */
static bool drop(struct request *request)
{
    int64_t now_ms = clock_monotonic_ms();
    if (request->drop_until_ms == 0)
        request->drop_until_ms = now_ms + INTAKE_DROP_MS;
    return request->body_bytes <= INTAKE_DROP_BYTES && now_ms <= request->drop_until_ms;
}

/* A body of no declared length has become too long: nobody knows when it would end. Once
 * that is said, nothing of it is left. */
static bool refuse_within(struct request *request)
{
    spool_upload_free(request->upload);
    request->upload = NULL;
    reply_problem_within_body(request, &request->refusal);
    request->early = true;
    return false;
}

static bool take_json(struct request *request, const char *piece, size_t count)
{
    if (body_append(&request->body, piece, count, &request->refusal))
        return true;
    body_free(&request->body);
    return headers_body_bytes(&request->headers) >= 0 || refuse_within(request);
}

static bool take_upload(struct request *request, const char *piece, size_t count)
{
    uint64_t limit_bytes = request->shared->config.options->max_upload_bytes;
    if ((uint64_t)request->body_bytes <= limit_bytes) {
        spool_upload_write(request->upload, piece, count);
        return true;
    }
    request->refusal.limit_bytes = limit_bytes;
    server_problem_set(&request->refusal, SERVER_PROBLEM_TOO_LARGE, "",
                       "The file is longer than the %llu bytes that are taken; send a "
                       "shorter recording, or start the daemon with a larger "
                       "--max-upload.",
                       (unsigned long long)limit_bytes);
    return refuse_within(request);
}

bool intake_piece(struct request *request, const char *piece, size_t count)
{
    enum route_body kind =
        request->match.route == NULL ? ROUTE_BODY_NONE : request->match.route->body;
    request->body_bytes += (int64_t)count;
    /* A large piece as long as one before fills the library's buffer: it reads on. */
    if (count < LARGE_PIECE_BYTES || count != request->largest_piece)
        notice_end(request->connection);
    if (count > request->largest_piece)
        request->largest_piece = count;
    if (kind == ROUTE_BODY_NONE || request->refusal.code != SERVER_PROBLEM_NONE)
        return drop(request);
    return kind == ROUTE_BODY_STREAM ? take_upload(request, piece, count)
                                     : take_json(request, piece, count);
}
