/* GET /v1/signals, /v1/signals/NAME, and /v1/signals/NAME/audio: rendered once, then from
 * the file that was. */
#include <stdio.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/http/described.h"
#include "server/http/download.h"
#include "server/http/etags.h"
#include "server/http/filename.h"
#include "server/http/rendering.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

static void answer_list(struct request *request)
{
    described_reply_list(request, catalogue_signals(request->shared->config.catalogue),
                         "signals");
}

static void answer_item(struct request *request)
{
    const struct catalogue *catalogue = request->shared->config.catalogue;
    described_reply_item(request,
                         catalogue_signal(catalogue, request_argument(request, 0)),
                         catalogue_signals(catalogue), "signals");
}

static void reply_file(struct request *request, const struct rendering *rendering,
                       const char *etag, int file)
{
    char disposition[FILENAME_DISPOSITION_BYTES];
    struct stat status;
    struct filename_kind kind = filename_kind(rendering_format(rendering));
    if (fstat(file, &status) != 0) {
        close(file);
        reply_response(request, MHD_HTTP_OK, NULL, NULL);
        return;
    }
    const char *name = request_argument(request, 0);
    filename_disposition(name, name, kind.extension, disposition);
    const struct download download = {
        .file = file,
        .bytes = (uint64_t)status.st_size,
        .type = kind.type,
        .etag = etag,
        .disposition = disposition,
    };
    download_reply(request, &download);
}

/* Whoever names the tag has had the bytes: they need not be rendered to say so. A "*"
 * asks whether there are any, which only rendering tells. */
static bool known_already(struct request *request, const char *etag)
{
    const struct headers_lines *named = &request->headers.if_none_match;
    for (int i = 0; i < named->count; i++)
        if (etags_find(named->lines[i], etag) == ETAGS_NAMED)
            return reply_not_modified(request, etag, -1);
    return false;
}

static void work_audio(struct request *request)
{
    const struct catalogue *catalogue = request->shared->config.catalogue;
    struct server_problem problem = {0};
    struct rendering rendering;
    char etag[ETAGS_BYTES];
    const json_t *signal = catalogue_signal(catalogue, request_argument(request, 0));
    if (signal == NULL) {
        described_reply_item(request, NULL, catalogue_signals(catalogue), "signals");
        return;
    }
    if (!rendering_begin(request, signal, &rendering, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    snprintf(etag, sizeof etag, "\"%s\"", rendering.key);
    if (!known_already(request, etag)) {
        int file = rendering_open(request, &rendering, &problem);
        if (file >= 0)
            reply_file(request, &rendering, etag, file);
        else
            reply_problem(request, &problem);
    }
    rendering_free(&rendering);
}

const struct route signals_routes[] = {
    {.method = "GET",
     .path = "/v1/signals",
     .query = "",
     .summary = "The test signals that can be rendered, with their parameters.",
     .replies = "200 signals, 304 -",
     .answer = answer_list},
    {.method = "GET",
     .path = "/v1/signals/{name}",
     .query = "",
     .summary = "One test signal: its parameters with units, limits and defaults.",
     .replies = "200 signal, 304 -",
     .problems = "not_found",
     .answer = answer_item},
    {.method = "GET",
     .path = "/v1/signals/{name}/audio",
     .summary = "The signal as a WAV or FLAC file, the same bytes each time; ranges and "
                "conditional requests are served.",
     .replies = "200 audio/wav, 200 audio/flac, 206 audio/wav, 206 audio/flac, 304 -",
     .problems = "not_found unknown_field out_of_range range_not_satisfiable disk_full "
                 "unavailable",
     .work = work_audio},
    {0},
};
