/* GET /v1/: what this is, its limits, where to go. */
#include "server/base/limits.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

static void answer(struct request *request)
{
    const struct options *options = request->shared->config.options;
    json_t *limits = json_pack(
        "{s:I, s:i, s:i, s:i, s:i, s:i, s:i, s:i}", "upload_bytes",
        (json_int_t)options->max_upload_bytes, "json_body_bytes", LIMIT_JSON_BODY_BYTES,
        "name_bytes", LIMIT_NAME_BYTES, "note_bytes", LIMIT_NOTE_BYTES, "page_items",
        LIMIT_PAGE_ITEMS, "prefer_wait_s", LIMIT_PREFER_WAIT_S, "series_points",
        LIMIT_SERIES_POINTS_MAX, "queue_length", LIMIT_QUEUE_LENGTH);
    json_t *links = json_pack(
        "{s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s}", "self", "/v1/", "health",
        "/v1/health", "openapi", "/v1/openapi.json", "problems", "/v1/problems",
        "metrics", "/metrics", "measurements", "/v1/measurements", "signals",
        "/v1/signals", "captures", "/v1/captures", "analyses", "/v1/analyses");
    reply_json(request, MHD_HTTP_OK,
               json_pack("{s:s, s:s, s:o, s:o}", "name", "residuum", "version",
                         RESIDUUM_VERSION, "limits", limits, "links", links));
}

const struct route root_routes[] = {
    {.method = "GET",
     .path = "/v1/",
     .query = "",
     .summary = "Name, version, limits, and links to everything else.",
     .replies = "200 root",
     .answer = answer},
    {0},
};
