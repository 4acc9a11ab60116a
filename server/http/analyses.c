/* GET /v1/analyses and /v1/analyses/ID. `Prefer: wait` suspends the connection until the
 * analysis ends or the time is up. */
#include "server/http/analyses.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/http/described.h"
#include "server/http/pages.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

enum { CANCEL_S = 10 }; /* killing a worker takes an instant, a slow disk longer */

bool analyses_ended(const struct queue_view *view)
{
    return view->analysis.state != STORE_QUEUED && view->analysis.state != STORE_RUNNING;
}

static void set_time(json_t *object, const char *name, int64_t wall_ms)
{
    char text[CLOCK_TEXT_BYTES];
    if (wall_ms == 0)
        return;
    clock_text(wall_ms, text);
    json_object_set_new(object, name, json_string(text));
}

json_t *analyses_object(const struct queue_view *view)
{
    const struct store_analysis *analysis = &view->analysis;
    char link[80];
    json_t *object = json_pack("{s:s, s:s, s:s, s:s}", "id", analysis->id, "state",
                               store_state_text(analysis->state), "measurement",
                               analysis->measurement, "capture", analysis->capture);
    if (analysis->floor_capture[0])
        json_object_set_new(object, "floor_capture",
                            json_string(analysis->floor_capture));
    json_object_set_new(object, "settings", json_loads(analysis->settings, 0, NULL));
    json_object_set_new(object, "signal",
                        analysis->signal != NULL ? json_loads(analysis->signal, 0, NULL)
                                                 : json_null());
    json_object_set_new(object, "tester", reply_text(analysis->tester));
    set_time(object, "created", analysis->created_ms);
    set_time(object, "started", analysis->started_ms);
    set_time(object, "finished", analysis->finished_ms);
    if (analysis->state == STORE_QUEUED)
        json_object_set_new(object, "position", json_integer(view->position));
    if (analysis->state == STORE_RUNNING)
        json_object_set_new(object, "progress", json_real(view->progress));
    if (analysis->state == STORE_FAILED && analysis->problem != NULL)
        json_object_set_new(object, "problem", json_loads(analysis->problem, 0, NULL));

    json_t *links = json_object();
    snprintf(link, sizeof link, "/v1/analyses/%s", analysis->id);
    json_object_set_new(links, "self", json_string(link));
    snprintf(link, sizeof link, "/v1/analyses/%s/result", analysis->id);
    if (analysis->state == STORE_DONE)
        json_object_set_new(links, "result", json_string(link));
    snprintf(link, sizeof link, "/v1/captures/%s", analysis->capture);
    json_object_set_new(links, "capture", json_string(link));
    json_object_set_new(object, "links", links);
    return object;
}

bool analyses_find(const struct request *request, const char *id, struct queue_view *ret,
                   struct server_problem *problem)
{
    if (id_valid("ana", id) && queue_get(request->shared->config.queue, id, ret, problem))
        return true;
    return server_problem_set(/* unless it holds why nobody could tell */
                              problem, SERVER_PROBLEM_NOT_FOUND, "",
                              "There is no analysis \"%.40s\"; GET /v1/analyses lists "
                              "them.",
                              id);
}

static int wait_s(const struct request *request)
{
    int wish_s = request->headers.prefer_wait_s;
    return wish_s > LIMIT_PREFER_WAIT_S ? LIMIT_PREFER_WAIT_S : wish_s;
}

static void wake(void *context)
{
    request_resume(context);
}

/* Suspends until the analysis ends or the time is up, whichever calls wake() first. It
 * may be called before this returns; the connection goes on after that, on this same
 * thread. */
static void wait_for_end(struct request *request, int patience_s)
{
    request->waited = true;
    request->deadline =
        (struct deadline){.kind = DEADLINE_WAIT, .fire = wake, .context = request};
    request_suspend(request);
    deadlines_add(request->shared->deadlines, &request->deadline, patience_s * 1000);
    if (!queue_watch(request->shared->config.queue, request->analysis, wake, request,
                     &request->watch)) {
        request->watch = NULL;
        request_resume(request);
    }
}

static void end_wait(struct request *request)
{
    if (request->watch != NULL)
        queue_unwatch(request->shared->config.queue, request->watch);
    request->watch = NULL;
    deadlines_remove(request->shared->deadlines, &request->deadline);
}

static void reply_analysis(struct request *request, const struct queue_view *view,
                           enum analyses_answer kind)
{
    char text[80];
    bool ended = analyses_ended(view), created = kind == ANALYSES_ADDED;
    /* Who did not ask to wait gets a 202 however fast it ends. */
    bool accepted = created && (!ended || wait_s(request) <= 0);
    if (ended && kind == ANALYSES_STATE)
        reply_json_tagged(request, view->analysis.id, analyses_object(view));
    else
        reply_json(request, accepted ? MHD_HTTP_ACCEPTED : MHD_HTTP_OK,
                   analyses_object(view));
    if (!ended)
        reply_header(request, "Retry-After", "1");
    if (created) {
        snprintf(text, sizeof text, "/v1/analyses/%s", view->analysis.id);
        reply_header(request, "Location", text);
    }
    if (wait_s(request) >= 0 && kind != ANALYSES_CANCELLED) {
        snprintf(text, sizeof text, "wait=%d", wait_s(request));
        reply_header(request, "Preference-Applied", text);
    }
}

bool analyses_answer(struct request *request, enum analyses_answer kind)
{
    int patience_s = kind == ANALYSES_CANCELLED ? CANCEL_S : wait_s(request);
    struct server_problem problem = {0};
    struct queue_view view = {0};
    end_wait(request);
    if (!analyses_find(request, request->analysis, &view, &problem)) {
        reply_problem(request, &problem);
        return false;
    }
    bool ended = analyses_ended(&view);
    if (!ended && !request->waited && patience_s > 0)
        wait_for_end(request, patience_s);
    else
        reply_analysis(request, &view, kind);
    queue_view_free(&view);
    return ended;
}

/* Answers from memory, or keeps what is answered once it says that the analysis has
 * ended: unless there are headers to it that not every poll gets. */
static void answer_poll(struct request *request)
{
    struct finished *finished = request->shared->finished;
    const char *id = request->analysis;
    request->kept = finished_get(finished, id);
    if (request->kept == NULL) {
        uint64_t since = finished_now(finished);
        bool ended = analyses_answer(request, ANALYSES_STATE);
        if (!ended || request->status != MHD_HTTP_OK)
            return;
        request->kept = finished_keep(finished, id, since, request->response);
        if (request->kept == NULL)
            return;
        request->response = NULL; /* taken over */
    }
    request->status = MHD_HTTP_OK;
}

static void answer_item(struct request *request)
{
    bool plain = wait_s(request) < 0 && request->headers.if_none_match.count == 0 &&
                 !atomic_load(&request->shared->stopping);
    snprintf(request->analysis, sizeof request->analysis, "%s",
             request_argument(request, 0));
    if (plain)
        answer_poll(request);
    else
        (void)analyses_answer(request, ANALYSES_STATE);
}

static bool read_filters(const struct request *request, struct store_query *query,
                         struct server_problem *problem)
{
    const struct catalogue *catalogue = request->shared->config.catalogue;
    if (!pages_read(request, query, problem))
        return false;
    query->capture = request_parameter(request, "capture");
    query->measurement = request_parameter(request, "measurement");
    const char *state = request_parameter(request, "state");
    if (query->capture != NULL && !id_valid("cap", query->capture))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "capture",
                                  "capture is \"%.40s\"; it must be the id of a capture, "
                                  "cap_ and 20 characters.",
                                  query->capture);
    if (query->measurement != NULL &&
        catalogue_measurement(catalogue, query->measurement) == NULL) {
        char names[160];
        described_names(catalogue_measurements(catalogue), names, sizeof names);
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "measurement",
                                  "measurement is \"%.60s\"; known: %s.",
                                  query->measurement, names);
    }
    query->state = state == NULL ? -1 : store_state_from_text(state);
    if (state != NULL && query->state < 0) {
        snprintf(problem->allowed, sizeof problem->allowed,
                 "queued, running, done, failed, cancelled");
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "state",
                                  "state is \"%.40s\"; it must be one of %s.", state,
                                  problem->allowed);
    }
    return true;
}

/* Rows hold no `running`: where a row says `queued`, the queue knows better. One that has
 * gone on since the page was read is left out where its new state was not asked for. */
static bool add_item(const struct request *request, const struct store_analysis *row,
                     int state, json_t *items, struct server_problem *problem)
{
    if (row->state != STORE_QUEUED) {
        const struct queue_view view = {.analysis = *row};
        json_array_append_new(items, analyses_object(&view));
        return true;
    }
    struct queue_view view = {0};
    if (!queue_get(request->shared->config.queue, row->id, &view, problem))
        return problem->code == SERVER_PROBLEM_NONE;
    if (state < 0 || view.analysis.state == (enum store_state)state)
        json_array_append_new(items, analyses_object(&view));
    queue_view_free(&view);
    return true;
}

/* Gives one page of the list. Running ones are `queued` rows: the queue names them. */
static json_t *list(const struct request *request, const struct store_query *query,
                    struct server_problem *problem)
{
    int state = query->state;
    char running[QUEUE_RUNNING_MAX][ID_BYTES];
    struct store_query asked = *query;
    struct store_analysis_page page;
    if (state == STORE_RUNNING || state == STORE_QUEUED) {
        asked.state = STORE_QUEUED;
        asked.ids = running;
        asked.id_count = queue_running(request->shared->config.queue, running);
        asked.ids_excluded = state == STORE_QUEUED;
    }
    if (!store_analysis_list(request->shared->config.store, &asked, &page, problem))
        return NULL;
    json_t *items = json_array();
    bool listed = true;
    for (int i = 0; listed && i < page.count; i++)
        listed = add_item(request, &page.items[i], state, items, problem);
    json_t *links =
        pages_links(request, "/v1/analyses", "capture state measurement", page.next);
    store_analysis_page_free(&page);
    return json_pack("{s:o, s:o}", "analyses", items, "links", links);
}

static void answer_list(struct request *request)
{
    struct server_problem problem = {0};
    struct store_query query;
    json_t *page = NULL;
    if (read_filters(request, &query, &problem))
        page = list(request, &query, &problem);
    if (problem.code == SERVER_PROBLEM_NONE) {
        reply_json(request, MHD_HTTP_OK, page);
        return;
    }
    json_decref(page);
    reply_problem(request, &problem);
}

const struct route analyses_routes[] = {
    {.method = "GET",
     .path = "/v1/analyses",
     .query = "capture state measurement cursor limit",
     .summary = "Lists analyses, newest first, a page at a time.",
     .replies = "200 analyses",
     .problems = "out_of_range",
     .answer = answer_list},
    {.method = "GET",
     .path = "/v1/analyses/{id}",
     .query = "",
     .summary =
         "Tells the state of an analysis; with Prefer: wait=N once it has ended, or "
         "after N seconds.",
     .headers = "Prefer",
     .replies = "200 analysis, 304 -",
     .problems = "not_found",
     .answer = answer_item},
    {0},
};
