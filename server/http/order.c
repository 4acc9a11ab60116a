/* POST /v1/analyses: checked, its row committed, then 202. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "server/base/clock.h"
#include "server/http/analyses.h"
#include "server/http/described.h"
#include "server/http/once.h"
#include "server/http/played.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

/* Fills *signal, where it is not NULL, with what the capture says was played (free). */
static bool check_capture(const struct request *request, const char *id,
                          const char *field, char **signal,
                          struct server_problem *problem)
{
    struct store_capture capture;
    if (!id_valid("cap", id) ||
        !store_capture_get(request->shared->config.store, id, &capture, problem))
        return server_problem_set(
            problem, SERVER_PROBLEM_NOT_FOUND, field,
            "There is no capture \"%.40s\"; POST /v1/captures first.", id);
    bool quarantined = capture.quarantined;
    if (signal != NULL && !quarantined) {
        *signal = capture.signal;
        capture.signal = NULL;
    }
    store_capture_free(&capture);
    return !quarantined ||
           server_problem_set(problem, SERVER_PROBLEM_CONFLICT, field,
                              "The capture %s is quarantined, since workers died over "
                              "it; PATCH /v1/captures/%s with {\"quarantined\":false} "
                              "before you order another analysis.",
                              id, id);
}

/* What is ordered: names borrowed from the body, the rest the order's own. */
struct order {
    const char *capture, *measurement;
    const char *floor; /* NULL for none */
    char *settings;    /* JSON */
    char *signal;      /* JSON: what was played; or NULL */
};

static void free_order(struct order *order)
{
    free(order->settings);
    free(order->signal);
}

static bool read_settings(const json_t *measurement, const json_t *settings,
                          struct order *order, struct server_problem *problem)
{
    if (settings != NULL && !json_is_object(settings))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "settings",
                                  "The field settings must be an object, {…}.");
    if (settings != NULL && !catalogue_check_settings(measurement, settings, problem))
        return false;
    order->settings = settings == NULL
                          ? strdup("{}")
                          : json_dumps(settings, JSON_COMPACT | JSON_REAL_PRECISION(17));
    return order->settings != NULL ||
           server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "settings",
                              "There is no memory to read the settings; try again "
                              "later.");
}

/* The signal that the order names, or else the capture's own, as it is now. */
static bool read_captures(const struct request *request, struct order *order,
                          struct server_problem *problem)
{
    const json_t *signal = json_object_get(request->json, "signal");
    bool told = signal != NULL && !json_is_null(signal);
    if (told &&
        !played_read(signal, request->shared->config.catalogue, &order->signal, problem))
        return false;
    return check_capture(request, order->capture, "capture", told ? NULL : &order->signal,
                         problem) &&
           (order->floor == NULL ||
            check_capture(request, order->floor, "floor_capture", NULL, problem));
}

/* Fills *order (free_order, even when it fails). */
static bool read_order(const struct request *request, struct order *order,
                       struct server_problem *problem)
{
    const json_t *measurement, *body = request->json;
    bool has_floor = json_object_get(body, "floor_capture") != NULL;
    order->capture = body_text(body, "capture", problem);
    order->measurement =
        order->capture == NULL ? NULL : body_text(body, "measurement", problem);
    if (order->measurement == NULL ||
        !described_find_measurement(request->shared->config.catalogue, order->measurement,
                                    "measurement", &measurement, problem))
        return false;
    order->floor = has_floor ? body_text(body, "floor_capture", problem) : NULL;
    return (!has_floor || order->floor != NULL) &&
           read_settings(measurement, json_object_get(body, "settings"), order,
                         problem) &&
           read_captures(request, order, problem);
}

static bool add(struct request *request, const struct store_key *key,
                struct server_problem *problem)
{
    struct order order = {0};
    if (!read_order(request, &order, problem)) {
        free_order(&order);
        return false;
    }
    struct store_analysis analysis = {
        .measurement = (char *)order.measurement,
        .settings = order.settings,
        .signal = order.signal,
        .tester = (char *)REQUEST_TESTER,
        .state = STORE_QUEUED,
        .created_ms = clock_wall_ms(),
    };
    id_new("ana", analysis.id);
    snprintf(analysis.capture, sizeof analysis.capture, "%s", order.capture);
    snprintf(analysis.floor_capture, sizeof analysis.floor_capture, "%s",
             order.floor != NULL ? order.floor : "");
    struct queue *queue = request->shared->config.queue;
    memcpy(request->analysis, analysis.id, sizeof analysis.id);
    bool added = key == NULL
                     ? queue_add(queue, &analysis, problem)
                     : queue_add_once(queue, &analysis, key, request->analysis, problem);
    free_order(&order);
    return added;
}

/* A new analysis, or the one that the request's key made before. */
static bool take(struct request *request, struct server_problem *problem)
{
    const struct http_config *config = &request->shared->config;
    struct store_key key;
    struct queue_view view;
    char *made = request->analysis;
    bool keyed = once_key(request, json_incref(request->json), &key, problem);
    if (!keyed)
        return problem->code == SERVER_PROBLEM_NONE && add(request, NULL, problem);
    if (!store_key_find(config->store, &key, made, problem) &&
        (problem->code != SERVER_PROBLEM_NONE || !add(request, &key, problem)))
        return false;
    if (!queue_get(config->queue, made, &view, problem))
        return once_gone(made, problem);
    if (view.analysis.state == STORE_QUEUED) /* by a request under way, it may be */
        queue_await(config->queue, made);
    queue_view_free(&view);
    return true;
}

static void work(struct request *request)
{
    struct server_problem problem = {0};
    if (!take(request, &problem))
        reply_problem(request, &problem);
}

static void answer(struct request *request)
{
    (void)analyses_answer(request, ANALYSES_ADDED);
}

const struct route order_routes[] = {
    {.method = "POST",
     .path = "/v1/analyses",
     .query = "",
     .body = ROUTE_BODY_JSON,
     .summary = "Orders an analysis of a recording; with Prefer: wait=N answered once it "
                "has ended, or after N seconds.",
     .fields = "capture! measurement! settings signal floor_capture",
     .headers = "Prefer Idempotency-Key",
     .replies = "202 analysis, 200 analysis",
     .problems = "bad_json too_large not_found unknown_field missing_field out_of_range "
                 "conflict key_reused queue_full disk_full",
     .begin = once_begin,
     .work = work,
     .answer = answer},
    {0},
};
