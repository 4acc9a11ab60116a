/* POST /v1/captures: the body is an audio file, streamed to the spool. 201 is sent only
 * after the bytes, the directory entry and the row are on disk. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/http/captures.h"
#include "server/http/once.h"
#include "server/http/ordered.h"
#include "server/http/played.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

enum { INSPECT_LINE_MS = 60000 }; /* for the uploads before it in the line and its own */

/* What `inspect` found. */
struct inspected {
    char *format;   /* JSON, or NULL: the worker failed … */
    char *warnings; /* JSON array */
    char *problem;  /* … and how, as JSON */
    bool broke_out; /* it was killed for what no worker does */
};

/* Checked before the body is read. */
static bool check_signal(const struct request *request, struct server_problem *problem)
{
    char *signal = NULL;
    bool good = played_read_text(request_parameter(request, "signal"),
                                 request->shared->config.catalogue, &signal, problem);
    free(signal);
    return good;
}

static bool begin(struct request *request, struct server_problem *problem)
{
    const char *name = request_parameter(request, "name");
    const char *note = request_parameter(request, "note");
    const char *digest = request->headers.content_digest;
    const struct http_config *config = &request->shared->config;
    uint64_t limit_bytes = config->options->max_upload_bytes;
    int64_t bytes = headers_body_bytes(&request->headers);
    if ((name != NULL && !values_text("name", name, LIMIT_NAME_BYTES, false, problem)) ||
        (note != NULL && !values_text("note", note, LIMIT_NOTE_BYTES, true, problem)) ||
        (digest != NULL && !values_content_digest(digest, request->digest,
                                                  &request->has_digest, problem)) ||
        !check_signal(request, problem) || !ordered_check(request, problem))
        return false;
    if (bytes > 0 && (uint64_t)bytes > limit_bytes) {
        problem->limit_bytes = limit_bytes;
        return server_problem_set(
            problem, SERVER_PROBLEM_TOO_LARGE, "",
            "The file is declared with %lld bytes; at most %llu bytes "
            "are taken (--max-upload).",
            (long long)bytes, (unsigned long long)limit_bytes);
    }
    return once_begin(request, problem) &&
           spool_upload_begin(config->spool, bytes, limit_bytes, &request->upload,
                              problem);
}

/* Length and digest checked, bytes durable, and worth looking at. */
static bool finish(struct request *request, struct server_problem *problem)
{
    struct spool_upload *upload = request->upload;
    if (!spool_upload_finish(upload, request->has_digest ? request->digest : NULL,
                             problem))
        return false;
    if (spool_upload_bytes(upload) == 0)
        return server_problem_set(
            problem, SERVER_PROBLEM_NO_AUDIO, "",
            "The body is empty; send the audio file as the body, such "
            "as with curl --data-binary @take.wav.");
    if (spool_upload_looks_mangled(upload))
        return server_problem_set(
            problem, SERVER_PROBLEM_BODY_MANGLED, "",
            "The body is an audio file without its line breaks and "
            "zero bytes, as curl -d sends it; use --data-binary @take.wav, or "
            "-X POST -T take.wav.");
    return true;
}

static void fire_cancel(void *context)
{
    atomic_store((atomic_bool *)context, true);
}

/* False: the worker refused the file. A worker that crashed or hung says nothing about
 * it: the capture is kept, its format unknown. */
static bool inspect(struct request *request, struct inspected *ret,
                    struct server_problem *problem)
{
    const struct http_services *services = &request->shared->config.services;
    json_t *answer = NULL;
    atomic_bool cancel = false;
    *ret = (struct inspected){0};
    int file = spool_upload_open(request->upload);
    if (file < 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "The file just uploaded could not be opened.");
    request->deadline =
        (struct deadline){.kind = DEADLINE_WORK, .fire = fire_cancel, .context = &cancel};
    deadlines_add(request->shared->deadlines, &request->deadline, INSPECT_LINE_MS);
    enum http_outcome outcome =
        services->inspect(services->context, file, &cancel, &answer, problem);
    deadlines_remove(request->shared->deadlines, &request->deadline);
    close(file);
    if (outcome == HTTP_OUTCOME_DONE) {
        const size_t flags = JSON_COMPACT | JSON_REAL_PRECISION(17);
        ret->format = json_dumps(json_object_get(answer, "format"), flags);
        ret->warnings = json_dumps(json_object_get(answer, "warnings"), flags);
        json_decref(answer);
    } else if (atomic_load(&cancel) && atomic_load(&request->shared->stopping)) {
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "The daemon is stopping; upload the file again once it "
                                  "runs.");
    } else if (outcome == HTTP_OUTCOME_UNASKED) {
        *problem = (struct server_problem){0};
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "No worker runs that could look at the file, so it is "
                                  "not kept; see the daemon's messages, and upload it "
                                  "again later.");
    } else if (outcome == HTTP_OUTCOME_FAILED) {
        if (problem->code != SERVER_PROBLEM_UNAVAILABLE) /* else none was asked in time */
            ret->problem = store_failure_text(problem);
        ret->broke_out = problem->code == SERVER_PROBLEM_CONFINEMENT;
        *problem = (struct server_problem){0};
    }
    return outcome != HTTP_OUTCOME_REFUSED;
}

/* What makes two uploads the same: their bytes and their query, whatever the order of
 * its parameters but of those with one name. */
static json_t *asked(const struct request *request)
{
    json_t *query = json_object();
    for (int i = 0; i < request->target.parameter_count; i++) {
        const struct target_parameter *each = &request->target.parameters[i];
        json_t *former = json_object_get(query, each->name);
        json_t *value = json_string(each->value);
        if (former != NULL)
            value = json_pack("[O, o]", former, value);
        json_object_set_new(query, each->name, value);
    }
    return json_pack("{s:s, s:o}", "sha256", spool_upload_sha256(request->upload),
                     "query", query);
}

/* Fills *ret_object with the capture that the key made. */
static bool show_made(const struct request *request, const char *made,
                      json_t **ret_object, struct server_problem *problem)
{
    struct store_capture capture;
    if (!store_capture_get(request->shared->config.store, made, &capture, problem))
        return once_gone(made, problem);
    *ret_object = captures_object(request, &capture, false);
    bool told = ordered_tell(request, &capture, *ret_object, problem);
    store_capture_free(&capture);
    return told;
}

/* Fills *ret, whose texts are borrowed. What a worker that only looked at the header died
 * of is not tried again with all of it. */
static void describe(const struct request *request, const struct inspected *inspected,
                     char *signal, struct store_capture *ret)
{
    const char *name = request_parameter(request, "name");
    const char *note = request_parameter(request, "note");
    const struct spool_upload *upload = request->upload;
    *ret = (struct store_capture){
        .name = (char *)(name != NULL ? name : ""),
        .note = (char *)(note != NULL ? note : ""),
        .tester = (char *)REQUEST_TESTER,
        .received_ms = clock_wall_ms(),
        .bytes = spool_upload_bytes(upload),
        .content_mtime_ns = spool_upload_mtime_ns(upload),
        .format = inspected->format,
        .warnings = inspected->warnings != NULL ? inspected->warnings : (char *)"[]",
        .signal = signal,
        .health = {.state = inspected->problem != NULL ? STORE_FAILED : STORE_QUEUED,
                   .problem = inspected->problem},
        .quarantined = inspected->broke_out,
    };
    id_new("cap", ret->id);
    snprintf(ret->sha256, sizeof ret->sha256, "%s", spool_upload_sha256(upload));
}

/* The object and the rows, in this order; fills *ret_object with what the tester is told.
 * A key (or NULL) may have made another capture meanwhile. */
static bool keep(struct request *request, const struct inspected *inspected,
                 const struct store_key *key, json_t **ret_object,
                 struct server_problem *problem)
{
    const struct http_config *config = &request->shared->config;
    struct store_analysis analyses[QUEUE_ORDERS_MAX];
    struct store_capture capture;
    char made[ID_BYTES], *signal = NULL;
    if (!played_read_text(request_parameter(request, "signal"), config->catalogue,
                          &signal, problem))
        return false;
    bool kept = spool_upload_keep(request->upload, problem);
    if (!kept)
        goto out;
    describe(request, inspected, signal, &capture);
    const struct store_upload upload = {&capture, analyses,
                                        ordered_make(request, &capture, analyses)};
    kept = queue_add_capture(config->queue, &upload, key, made, problem);
    if (kept && strcmp(made, capture.id) == 0) {
        metrics_count_upload(&request->shared->metrics, capture.bytes);
        if (inspected->format == NULL)
            log_line(LOG_LEVEL_WARNING, "capture %s could not be inspected; it is kept%s",
                     capture.id, capture.quarantined ? ", quarantined" : "");
    }
    kept = kept && show_made(request, made, ret_object, problem);
out:
    free(signal);
    return kept;
}

/* The body is in: a new capture, or the one that its key made before. */
static bool take(struct request *request, json_t **ret_object,
                 struct server_problem *problem)
{
    struct inspected inspected = {0};
    struct store_key key;
    char made[ID_BYTES];
    if (!finish(request, problem))
        return false;
    bool keyed = once_key(request, asked(request), &key, problem);
    if (keyed && store_key_find(request->shared->config.store, &key, made, problem))
        return show_made(request, made, ret_object, problem);
    bool taken = problem->code == SERVER_PROBLEM_NONE &&
                 inspect(request, &inspected, problem) &&
                 keep(request, &inspected, keyed ? &key : NULL, ret_object, problem);
    free(inspected.format);
    free(inspected.warnings);
    free(inspected.problem);
    return taken;
}

static void work(struct request *request)
{
    struct server_problem problem = {0};
    char location[64], sha256[65];
    json_t *object = NULL;
    bool taken = take(request, &object, &problem);
    if (taken) {
        const char *id = json_string_value(json_object_get(object, "id"));
        snprintf(location, sizeof location, "/v1/captures/%s", id != NULL ? id : "");
        reply_json(request, MHD_HTTP_CREATED, object);
        reply_header(request, "Location", location);
    } else {
        reply_problem(request, &problem);
    }
    /* Here rather than at the end of the request: it waits for a thread and a disk. */
    snprintf(sha256, sizeof sha256, "%s", spool_upload_sha256(request->upload));
    spool_upload_free(request->upload);
    request->upload = NULL;
    /* Also after it was taken: who deleted the capture meanwhile left the file to us. */
    if (sha256[0] != '\0')
        spool_remove_content(request->shared->config.spool, request->shared->config.store,
                             sha256);
}

const struct route upload_routes[] = {
    {.method = "POST",
     .path = "/v1/captures",
     .query = "name note signal measure",
     .body = ROUTE_BODY_STREAM,
     .summary = "Takes a recording: the body is the audio file, sent as it is. Answered "
                "once it is safe on disk; its health is looked at next, then come the "
                "analyses ordered with it.",
     .headers = "Content-Digest Idempotency-Key",
     .replies = "201 uploaded",
     .problems =
         "body_mangled digest_mismatch too_large not_audio unsupported_format "
         "no_audio unknown_field missing_field out_of_range key_reused queue_full "
         "disk_full",
     .begin = begin,
     .work = work},
    {0},
};
