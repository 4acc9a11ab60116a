/* GET /v1/analyses/ID/result: the worker's body with `analysis`, `measurement`,
 * `capture`, `floor_capture` (when given) and `links` put before it, sent from the file.
 */
#include "server/http/result.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>

#include "server/http/analyses.h"
#include "server/http/etags.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

enum { PIECE_BYTES = 32 * 1024 };

struct splice {
    struct result_file result;
    char *head; /* a JSON object without its last brace, and a comma */
    size_t head_bytes;
};

/* What an analysis without a result has to say. */
static bool explain(const struct queue_view *view, struct server_problem *problem)
{
    const struct store_analysis *analysis = &view->analysis;
    if (!analyses_ended(view))
        return server_problem_set(
            problem, SERVER_PROBLEM_NOT_READY, "",
            "The analysis is %s; its result is there once it is done.",
            store_state_text(analysis->state));
    json_t *stored =
        analysis->problem == NULL ? NULL : json_loads(analysis->problem, 0, NULL);
    const char *detail = json_string_value(json_object_get(stored, "detail"));
    if (analysis->state == STORE_CANCELLED)
        server_problem_set(problem, SERVER_PROBLEM_NO_RESULT, "",
                           "The analysis was cancelled; post it again for a result.");
    else
        server_problem_set(problem, SERVER_PROBLEM_NO_RESULT, "",
                           "The analysis failed: %s",
                           detail != NULL ? detail : "no reason is known.");
    json_decref(stored);
    return false;
}

/* Only a file that is not there is gone for good. */
static void explain_file(int error, const char *id, struct server_problem *problem)
{
    if (error == ENOENT)
        server_problem_set(
            problem, SERVER_PROBLEM_NO_RESULT, "",
            "The file results/%s of this result is missing; put it back from a "
            "backup, or run the analysis again.",
            id);
    else
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "The file of this result cannot be opened now (%s); try again "
                           "later.",
                           strerror(error));
}

bool result_open(struct request *request, struct queue_view *ret_view,
                 struct result_file *ret_result, struct server_problem *problem)
{
    struct queue_view view;
    if (!analyses_find(request, request_argument(request, 0), &view, problem))
        return false;
    bool opened = false;
    if (view.analysis.state != STORE_DONE) {
        explain(&view, problem);
    } else {
        int file = spool_open_result(request->shared->config.spool, view.analysis.id);
        if (file < 0)
            explain_file(errno, view.analysis.id, problem);
        else
            opened = result_file_open(file, ret_result, problem);
    }
    if (opened)
        *ret_view = view;
    else
        queue_view_free(&view);
    return opened;
}

/* Gives what the recording is, or NULL with the problem. */
static json_t *capture_facts(struct request *request, const char *id,
                             struct server_problem *problem)
{
    struct store_capture capture;
    if (!store_capture_get(request->shared->config.store, id, &capture, problem)) {
        server_problem_set(problem, SERVER_PROBLEM_NO_RESULT, "",
                           "The recording %s of this result is not there any more.", id);
        return NULL;
    }
    json_t *format = capture.format == NULL ? NULL : json_loads(capture.format, 0, NULL);
    json_t *facts =
        json_pack("{s:s, s:s, s:O?, s:O?}", "id", capture.id, "sha256", capture.sha256,
                  "sample_rate_hz", json_object_get(format, "sample_rate_hz"), "frames",
                  json_object_get(format, "frames"));
    json_decref(format);
    store_capture_free(&capture);
    return facts;
}

/* Gives the text, or NULL, with the problem unless memory is short. */
static char *make_head(struct request *request, const struct store_analysis *analysis,
                       struct server_problem *problem)
{
    char series[128];
    snprintf(series, sizeof series,
             "/v1/analyses/%s/result/series/{name}{?channel,points,from,to}",
             analysis->id);
    json_t *capture = capture_facts(request, analysis->capture, problem);
    json_t *floor = capture != NULL && analysis->floor_capture[0]
                        ? capture_facts(request, analysis->floor_capture, problem)
                        : NULL;
    if (problem->code != SERVER_PROBLEM_NONE) {
        json_decref(capture);
        return NULL;
    }
    json_t *head = json_pack("{s:s, s:s, s:o, s:o*, s:{s:s}}", "analysis", analysis->id,
                             "measurement", analysis->measurement, "capture", capture,
                             "floor_capture", floor, "links", "series", series);
    char *text =
        head == NULL ? NULL : json_dumps(head, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(head);
    if (text != NULL)
        text[strlen(text) - 1] = ',';
    return text;
}

static ssize_t read_splice(void *context, uint64_t position, char *bytes, size_t size)
{
    const struct splice *splice = context;
    if (position < splice->head_bytes) {
        size_t left = splice->head_bytes - (size_t)position;
        size_t count = left < size ? left : size;
        memcpy(bytes, splice->head + position, count);
        return (ssize_t)count;
    }
    /* The body without its first brace. */
    uint64_t offset = position - splice->head_bytes + 1;
    uint64_t left = splice->result.body_bytes - offset;
    size_t count = left < size ? (size_t)left : size;
    if (!result_file_read(&splice->result, splice->result.body_offset + offset, bytes,
                          count))
        return MHD_CONTENT_READER_END_WITH_ERROR;
    return (ssize_t)count;
}

static void free_splice(void *context)
{
    struct splice *splice = context;
    result_file_close(&splice->result);
    free(splice->head);
    free(splice);
}

static void answer(struct request *request)
{
    struct server_problem problem = {0};
    struct queue_view view;
    struct result_file result;
    if (!result_open(request, &view, &result, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    struct splice *splice = calloc(1, sizeof *splice);
    char *head = make_head(request, &view.analysis, &problem);
    struct MHD_Response *response = NULL;
    char etag[ETAGS_BYTES] = "";
    if (splice != NULL && head != NULL) {
        /* The body never changes, so that the head tells what the whole is. */
        etags_of_bytes(view.analysis.id, head, strlen(head), etag);
        *splice = (struct splice){result, head, strlen(head)};
        response = MHD_create_response_from_callback(
            splice->head_bytes + result.body_bytes - 1, PIECE_BYTES, read_splice, splice,
            free_splice);
    }
    if (response == NULL) {
        result_file_close(&result);
        free(head);
        free(splice);
    }
    if (problem.code != SERVER_PROBLEM_NONE)
        reply_problem(request, &problem);
    else
        reply_tagged(request, MHD_HTTP_OK, "application/json", etag, response);
    queue_view_free(&view);
}

const struct route result_routes[] = {
    {.method = "GET",
     .path = "/v1/analyses/{id}/result",
     .query = "",
     .summary = "The result of an analysis that is done: settings, figures with their "
                "uncertainty, findings, lists, warnings.",
     .replies = "200 result, 304 -",
     .problems = "not_found not_ready no_result",
     .answer = answer},
    {0},
};
