#include "analysis/worker/task_health.h"

#include <stdlib.h>

#include "analysis/health/health.h"
#include "analysis/worker/recording_json.h"
#include "analysis/worker/settings_json.h"

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to look at the recording; try again.");
}

/* The signal and its parameters, or NULL where it is not known. */
static bool read_signal(const json_t *object, const struct signal **ret,
                        struct settings *ret_parameters, struct problem *problem)
{
    const char *name = json_string_value(json_object_get(object, "name"));
    *ret = NULL;
    if (!object || json_is_null(object))
        return true;
    *ret = name ? signal_find(name) : NULL;
    if (!*ret)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "signal",
                           "The signal needs a name that GET /v1/signals lists; there "
                           "is no %.60s.",
                           name ? name : "nameless one");
    return settings_json_read(&(*ret)->description, json_object_get(object, "parameters"),
                              ret_parameters, problem);
}

bool task_health(const struct task_health *task, json_t **ret, struct problem *problem)
{
    struct capture *capture = NULL;
    struct settings parameters;
    struct health_request request = {.cache = task->cache, .progress = task->progress};
    bool good = false;
    struct health *health = malloc(sizeof *health);
    if (!health) {
        no_memory(problem);
        goto out;
    }
    if (!read_signal(task->signal, &request.signal, &parameters, problem) ||
        !capture_open(task->capture, &capture, problem))
        goto out;
    request.parameters = request.signal ? &parameters : NULL;
    if (!health_take(capture, &request, health, problem))
        goto out;
    *ret = json_pack("{s:o,s:o,s:o}", "format",
                     recording_json_format(capture, health->frames), "health",
                     recording_json_health(capture, health), "suggested",
                     recording_json_suggested(health));
    good = *ret || no_memory(problem);
out:
    capture_close(capture);
    free(health);
    return good;
}
