/* GET /v1/captures/ID/audio: the bytes as they were uploaded. */
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/http/captures.h"
#include "server/http/download.h"
#include "server/http/etags.h"
#include "server/http/filename.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

/* The capture's file, or −1 with the problem: only bytes that are the ones uploaded, as
 * far as length and the check at start-up tell. */
static int open_audio(const struct request *request, const struct store_capture *capture,
                      struct server_problem *problem)
{
    struct stat status;
    int file = spool_open_content(request->shared->config.spool, capture->sha256);
    if (file < 0 && errno != ENOENT)
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "The file of this capture cannot be opened now (%s); try "
                           "again later.",
                           strerror(errno));
    else if (file < 0)
        server_problem_set(problem, SERVER_PROBLEM_AUDIO_EXPIRED, "",
                           "The recording's file objects/%.2s/%s is missing from the "
                           "state folder; put it back, or upload the recording again.",
                           capture->sha256, capture->sha256);
    else if (capture->audio == STORE_AUDIO_CHANGED || fstat(file, &status) != 0 ||
             (uint64_t)status.st_size != capture->bytes)
        server_problem_set(problem, SERVER_PROBLEM_AUDIO_EXPIRED, "",
                           "The recording's file objects/%.2s/%s was changed in the "
                           "state folder since it was uploaded with %llu bytes; put it "
                           "back, or upload the recording again.",
                           capture->sha256, capture->sha256,
                           (unsigned long long)capture->bytes);
    if (problem->code == SERVER_PROBLEM_NONE)
        return file;
    if (file >= 0)
        close(file);
    return -1;
}

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

static void answer(struct request *request)
{
    struct server_problem problem = {0};
    struct store_capture capture;
    if (!captures_find(request, request_argument(request, 0), &capture, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    int file = open_audio(request, &capture, &problem);
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
     .replies = "200 application/octet-stream, 206 application/octet-stream, 304 -",
     .problems = "not_found audio_expired range_not_satisfiable",
     .answer = answer},
    {0},
};
