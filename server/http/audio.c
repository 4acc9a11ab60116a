/* GET /v1/captures/ID/audio: the bytes as they were uploaded. */
#include <stdio.h>

#include "server/http/captures.h"
#include "server/http/download.h"
#include "server/http/etags.h"
#include "server/http/filename.h"
#include "server/http/reply.h"
#include "server/http/resources.h"
#include "server/store/content.h"

static void reply_audio(struct request *request, const struct store_capture *capture,
                        int file)
{
    char etag[ETAGS_BYTES], disposition[FILENAME_DISPOSITION_BYTES];
    json_t *format =
        capture->format == NULL ? NULL : json_loads(capture->format, 0, NULL);
    struct filename_kind kind =
        filename_kind(json_string_value(json_object_get(format, "container")));
    json_decref(format);
    snprintf(etag, sizeof etag, "\"sha256-%s\"", capture->sha256);
    filename_disposition(capture->name, capture->id, kind.extension, disposition);
    const struct download download = {
        .file = file,
        .bytes = capture->bytes,
        .type = kind.type,
        .etag = etag,
        .disposition = disposition,
        .sha256 = capture->sha256,
    };
    download_reply(request, &download);
}

/* On a thread that may block: a file whose time is not the row's is hashed first. */
static void work(struct request *request)
{
    const struct http_config *config = &request->shared->config;
    struct server_problem problem = {0};
    struct store_capture capture;
    if (!captures_find(request, request_argument(request, 0), &capture, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    int file = content_open(config->spool, config->store, &capture, "", &problem);
    if (file >= 0)
        reply_audio(request, &capture, file);
    else
        reply_problem(request, &problem);
    store_capture_free(&capture);
}

const struct route audio_routes[] = {
    {.method = "GET",
     .path = "/v1/captures/{id}/audio",
     .query = "",
     .summary = "The recording's bytes as they were uploaded; ranges and conditional "
                "requests are served.",
     .replies = "200 audio/wav, 200 audio/flac, 200 audio/aiff, "
                "200 application/octet-stream, 206 audio/wav, 206 audio/flac, "
                "206 audio/aiff, 206 application/octet-stream, 304 -",
     .problems = "not_found audio_expired range_not_satisfiable",
     .work = work},
    {0},
};
