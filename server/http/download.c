#include "server/http/download.h"

#include <inttypes.h>
#include <stdio.h>
#include <unistd.h>

#include "server/http/etags.h"
#include "server/http/ranges.h"
#include "server/http/reply.h"

enum { CONTENT_RANGE_BYTES = 80 };

/* A range of a GET alone; HEAD tells of the whole. */
static enum ranges_kind wanted(const struct request *request,
                               const struct download *download, struct range *ret)
{
    const struct headers *headers = &request->headers;
    if (request->head || !etags_range_holds(headers->if_range, download->etag))
        return RANGES_WHOLE;
    return ranges_read(headers->range, download->bytes, ret);
}

static void reply_unsatisfiable(struct request *request, uint64_t bytes)
{
    char text[CONTENT_RANGE_BYTES];
    struct server_problem problem = {0};
    server_problem_set(&problem, SERVER_PROBLEM_RANGE_NOT_SATISFIABLE, "Range",
                       "The range \"%.60s\" holds no byte of the file's %" PRIu64
                       "; ask for bytes 0 to %" PRIu64 ".",
                       request->headers.range, bytes, bytes - 1);
    reply_problem(request, &problem);
    snprintf(text, sizeof text, "bytes */%" PRIu64, bytes);
    reply_header(request, "Content-Range", text);
}

/* Content-Digest is of the bytes sent, Repr-Digest of the whole file (RFC 9530). */
static void add_digests(struct request *request, const char *sha256, bool whole)
{
    char text[VALUES_DIGEST_TEXT_BYTES];
    values_digest_text(sha256, text);
    reply_header(request, "Repr-Digest", text);
    if (whole && !request->head)
        reply_header(request, "Content-Digest", text);
}

static void reply_part(struct request *request, const struct download *download,
                       const struct range *range, bool whole)
{
    char text[CONTENT_RANGE_BYTES];
    struct MHD_Response *response = MHD_create_response_from_fd_at_offset64(
        range->count, download->file, range->first);
    if (response == NULL) {
        close(download->file);
        reply_tagged(request, MHD_HTTP_OK, NULL, download->etag, NULL);
        return;
    }
    reply_tagged(request, whole ? MHD_HTTP_OK : MHD_HTTP_PARTIAL_CONTENT, download->type,
                 download->etag, response);
    reply_header(request, "Accept-Ranges", "bytes");
    reply_header(request, "Content-Disposition", download->disposition);
    if (!whole) {
        snprintf(text, sizeof text, "bytes %" PRIu64 "-%" PRIu64 "/%" PRIu64,
                 range->first, range->first + range->count - 1, download->bytes);
        reply_header(request, "Content-Range", text);
    }
    if (download->sha256 != NULL)
        add_digests(request, download->sha256, whole);
}

void download_reply(struct request *request, const struct download *download)
{
    struct range range = {0, download->bytes};
    if (reply_not_modified(request, download->etag, (int64_t)download->bytes)) {
        close(download->file);
        return;
    }
    enum ranges_kind kind = wanted(request, download, &range);
    if (kind == RANGES_UNSATISFIABLE) {
        close(download->file);
        reply_unsatisfiable(request, download->bytes);
    } else {
        reply_part(request, download, &range, kind == RANGES_WHOLE);
    }
}
