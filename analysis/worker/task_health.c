#include "analysis/worker/task_health.h"

#include <stdlib.h>

#include "analysis/health/health.h"
#include "analysis/worker/recording_json.h"
#include "analysis/worker/signal_json.h"

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to look at the recording; try again.");
}

bool task_health(const struct task_health *task, json_t **ret, struct problem *problem)
{
    struct capture *capture = NULL;
    struct signal_json played;
    struct health_request request = {.cache = task->cache, .progress = task->progress};
    bool good = false;
    struct health *health = malloc(sizeof *health);
    if (!health) {
        no_memory(problem);
        goto out;
    }
    if (!signal_json_read(task->signal, &played, problem) ||
        !capture_open(task->capture, &capture, problem))
        goto out;
    request.signal = played.signal;
    request.parameters = played.signal ? &played.parameters : NULL;
    if (!health_take(capture, &request, health, problem))
        goto out;
    *ret = json_pack("{s:o,s:o,s:o}", "format",
                     recording_json_format(capture, health->frames), "health",
                     recording_json_health(capture, health), "suggested",
                     recording_json_suggested(health, played.signal));
    good = *ret || no_memory(problem);
out:
    capture_close(capture);
    free(health);
    return good;
}
