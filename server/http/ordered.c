#include "server/http/ordered.h"

#include <string.h>

#include "server/http/analyses.h"
#include "server/http/described.h"

static const char parameter[] = "measure";

_Static_assert(QUEUE_ORDERS_MAX >= (int)TARGET_PARAMETERS_MAX,
               "all of a query are taken");

/* The next one from *at on, or NULL. */
static const char *next(const struct request *request, int *at)
{
    const struct target *target = &request->target;
    while (*at < target->parameter_count) {
        const struct target_parameter *each = &target->parameters[(*at)++];
        if (strcmp(each->name, parameter) == 0)
            return each->value;
    }
    return NULL;
}

static bool is_again(const struct request *request, const char *name, int before)
{
    const char *other;
    for (int at = 0; (other = next(request, &at)) != NULL && at < before;)
        if (strcmp(other, name) == 0)
            return true;
    return false;
}

static bool check_one(const struct request *request, const char *name, int at,
                      struct server_problem *problem)
{
    const json_t *measurement;
    if (!described_find_measurement(request->shared->config.catalogue, name, parameter,
                                    &measurement, problem))
        return false;
    if (is_again(request, name, at))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, parameter,
                                  "measure names \"%.60s\" twice; give each "
                                  "measurement once.",
                                  name);
    return true;
}

bool ordered_check(const struct request *request, struct server_problem *problem)
{
    const char *name;
    int count = 0;
    for (int at = 0; (name = next(request, &at)) != NULL; count++)
        if (!check_one(request, name, at, problem))
            return false;
    return queue_has_room(request->shared->config.queue, count, problem);
}

int ordered_make(const struct request *request, const struct store_capture *capture,
                 struct store_analysis analyses[QUEUE_ORDERS_MAX])
{
    const char *name;
    int count = 0;
    for (int at = 0; (name = next(request, &at)) != NULL; count++) {
        analyses[count] = (struct store_analysis){
            .measurement = (char *)name,
            .settings = (char *)"{}",
            .signal = capture->signal,
            .tester = capture->tester,
            .state = STORE_QUEUED,
            .created_ms = capture->received_ms,
        };
        id_new("ana", analyses[count].id);
        memcpy(analyses[count].capture, capture->id, sizeof capture->id);
    }
    return count;
}

static void note_id(const struct store_analysis *analysis, void *context)
{
    json_array_append_new(context, json_string(analysis->id));
}

bool ordered_tell(const struct request *request, const struct store_capture *capture,
                  json_t *object, struct server_problem *problem)
{
    const struct http_config *config = &request->shared->config;
    json_t *ids = json_array(), *list = json_array(), *id;
    size_t i;
    if (request_parameter(request, parameter) == NULL)
        goto out;
    if (!store_each_ordered(config->store, capture, note_id, ids, problem))
        goto out;
    json_array_foreach(ids, i, id)
    {
        struct queue_view view;
        /* one that was deleted meanwhile is left out */
        if (!queue_get(config->queue, json_string_value(id), &view, problem))
            continue;
        json_array_append_new(list, analyses_object(&view));
        queue_view_free(&view);
    }
    json_object_set(object, "analyses", list);
out:
    json_decref(ids);
    json_decref(list);
    return problem->code == SERVER_PROBLEM_NONE;
}
