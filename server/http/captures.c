/* GET /v1/captures and /v1/captures/ID. */
#include "server/http/captures.h"

#include <stdio.h>

#include "server/base/clock.h"
#include "server/http/pages.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

/* What the database holds as JSON text; `otherwise` where there is none. */
static json_t *stored_json(const char *text, json_t *otherwise)
{
    json_t *value = text == NULL ? NULL : json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    if (value == NULL)
        return otherwise;
    json_decref(otherwise);
    return value;
}

/* The state, what is wrong or why nobody knows, and what was found of each channel. */
static json_t *health_object(const struct request *request,
                             const struct store_capture *capture, json_t *warnings,
                             bool listed)
{
    const struct store_health *health = &capture->health;
    bool runs = health->state == STORE_QUEUED &&
                queue_health_runs(request->shared->config.queue, capture->id);
    json_t *report = stored_json(health->report, NULL);
    json_t *channels = json_object_get(report, "channels");
    json_t *object =
        json_pack("{s:s, s:O*, s:O, s:o*}", "state",
                  store_state_text(runs ? STORE_RUNNING : health->state), "channels",
                  health->state == STORE_DONE && !listed ? channels : NULL, "warnings",
                  warnings, "problem", stored_json(health->problem, NULL));
    json_decref(report);
    return object;
}

/* Those of the container, until those of its health, which are more. Gives. */
static json_t *warnings_of(const struct store_capture *capture)
{
    json_t *report = capture->health.state == STORE_DONE
                         ? stored_json(capture->health.report, NULL)
                         : NULL;
    json_t *found = json_incref(json_object_get(report, "warnings"));
    json_decref(report);
    return found != NULL ? found : stored_json(capture->warnings, json_array());
}

json_t *captures_object(const struct request *request,
                        const struct store_capture *capture, bool listed)
{
    char received[CLOCK_TEXT_BYTES], self[64], audio[72], analyses[96];
    bool done = capture->health.state == STORE_DONE;
    json_t *warnings = warnings_of(capture);
    clock_text(capture->received_ms, received);
    snprintf(self, sizeof self, "/v1/captures/%s", capture->id);
    snprintf(audio, sizeof audio, "/v1/captures/%s/audio", capture->id);
    snprintf(analyses, sizeof analyses, "/v1/analyses?capture=%s", capture->id);
    return json_pack(
        "{s:s, s:o, s:o, s:b, s:s, s:s, s:I, s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:b,"
        " s:{s:s, s:s, s:s}}",
        "id", capture->id, "name", reply_text(capture->name), "note",
        reply_text(capture->note), "pinned", capture->pinned, "tester", capture->tester,
        "received", received, "bytes", (json_int_t)capture->bytes, "sha256",
        capture->sha256, "audio", store_audio_text(capture->audio), "format",
        stored_json(capture->format, json_null()), "signal",
        stored_json(capture->signal, json_null()), "health",
        health_object(request, capture, warnings, listed), "warnings", warnings,
        "suggested", stored_json(done ? capture->health.suggested : NULL, json_array()),
        "quarantined", capture->quarantined, "links", "self", self, "audio", audio,
        "analyses", analyses);
}

bool captures_find(const struct request *request, const char *id,
                   struct store_capture *ret, struct server_problem *problem)
{
    if (id_valid("cap", id) &&
        store_capture_get(request->shared->config.store, id, ret, problem))
        return true;
    return server_problem_set(/* unless it holds why nobody could tell */
                              problem, SERVER_PROBLEM_NOT_FOUND, "",
                              "There is no capture \"%.40s\"; GET /v1/captures lists "
                              "them.",
                              id);
}

static void answer_item(struct request *request)
{
    struct server_problem problem = {0};
    struct store_capture capture = {0};
    if (!captures_find(request, request_argument(request, 0), &capture, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    reply_json_tagged(request, capture.id, captures_object(request, &capture, false));
    store_capture_free(&capture);
}

static void answer_list(struct request *request)
{
    struct server_problem problem = {0};
    struct store_query query;
    struct store_capture_page page;
    if (!pages_read(request, &query, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    query.tester = request_parameter(request, "tester");
    if (!store_capture_list(request->shared->config.store, &query, &page, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    json_t *items = json_array();
    for (int i = 0; i < page.count; i++)
        json_array_append_new(items, captures_object(request, &page.items[i], true));
    reply_json(request, MHD_HTTP_OK,
               json_pack("{s:o, s:o}", "captures", items, "links",
                         pages_links(request, "/v1/captures", "tester", page.next)));
    store_capture_page_free(&page);
}

const struct route captures_routes[] = {
    {.method = "GET",
     .path = "/v1/captures",
     .query = "tester cursor limit",
     .summary = "Lists recordings, newest first, a page at a time.",
     .replies = "200 captures",
     .problems = "out_of_range",
     .answer = answer_list},
    {.method = "GET",
     .path = "/v1/captures/{id}",
     .query = "",
     .summary = "Tells what a recording is.",
     .replies = "200 capture, 304 -",
     .problems = "not_found",
     .answer = answer_item},
    {0},
};
