#include "server/queue/attempt.h"

#include <limits.h>
#include <unistd.h>

#include "server/base/limits.h"
#include "server/store/content.h"

int attempt_deadline_s(uint64_t bytes)
{
    uint64_t limit_s = LIMIT_DEADLINE_BASE_S + bytes / LIMIT_DEADLINE_BYTES_PER_S;
    return limit_s < INT_MAX ? (int)limit_s : INT_MAX;
}

/** The content of the capture with this id, by its row; adds its length to *bytes. −1
 * with the end of the attempt. */
static int open_capture(const struct attempt *attempt, const char *id, const char *field,
                        uint64_t *bytes, enum attempt_end *end,
                        struct server_problem *problem)
{
    struct store_capture capture = {0};
    if (!store_capture_get(attempt->store, id, &capture, problem)) {
        *end = problem->code == SERVER_PROBLEM_NONE ? ATTEMPT_FAILED : ATTEMPT_LATER;
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, field,
                           "The recording %s is not there any more.", id);
        return -1;
    }
    int content = content_open(attempt->spool, attempt->store, &capture, field, problem);
    if (content < 0)
        *end = problem->code == SERVER_PROBLEM_AUDIO_EXPIRED ? ATTEMPT_FAILED
                                                             : ATTEMPT_LATER;
    *bytes += capture.bytes;
    store_capture_free(&capture);
    return content;
}

static json_t *make_request(const struct store_analysis *analysis)
{
    json_t *settings = json_loads(analysis->settings, JSON_REJECT_DUPLICATES, NULL);
    return json_pack("{s:s, s:s, s:o}", "request", "measure", "measurement",
                     analysis->measurement, "settings", settings);
}

static enum attempt_end end_of(enum workers_outcome outcome,
                               const struct server_problem *problem)
{
    switch (outcome) {
    case WORKERS_DONE:
        return ATTEMPT_DONE;
    case WORKERS_REFUSED:
        return problem->code == SERVER_PROBLEM_DISK_FULL ? ATTEMPT_LATER : ATTEMPT_FAILED;
    case WORKERS_TIMED_OUT:
    case WORKERS_OUT_OF_MEMORY:
    case WORKERS_CONFINEMENT: /* an attack gets no second chance */
        return ATTEMPT_FAILED;
    case WORKERS_CRASHED:
        return ATTEMPT_DIED;
    case WORKERS_CANCELLED:
        return ATTEMPT_GIVEN_UP;
    case WORKERS_STOPPED:
        return ATTEMPT_LATER;
    }
    return ATTEMPT_FAILED;
}

/** The descriptors are those of the recording, the result and the floor's recording. */
static enum attempt_end measure(const struct attempt *attempt, const json_t *request,
                                const int descriptors[3], int deadline_s,
                                struct server_problem *problem)
{
    struct workers_call call = {
        .class = WORKERS_JOB,
        .request = request,
        .descriptors = {descriptors[0], descriptors[1], descriptors[2]},
        .deadline_s = deadline_s,
        .cancel = attempt->cancel,
        .progress = attempt->progress,
        .context = attempt->context,
    };
    json_t *answer = NULL;
    enum workers_outcome outcome = workers_run(attempt->workers, &call, &answer, problem);
    json_decref(answer);
    return end_of(outcome, problem);
}

enum attempt_end attempt_run(const struct attempt *attempt,
                             const struct store_analysis *analysis,
                             struct server_problem *problem)
{
    enum attempt_end end = ATTEMPT_FAILED;
    uint64_t bytes = 0;
    int number = analysis->attempts + 1, content = -1, result = -1, floor = -1;
    json_t *request = make_request(analysis);
    if (request == NULL) {
        server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "settings",
                           "The stored settings of this analysis cannot be read; ask for "
                           "it again.");
        goto out;
    }
    content = open_capture(attempt, analysis->capture, "capture", &bytes, &end, problem);
    if (content < 0)
        goto out;
    if (analysis->floor_capture[0]) {
        floor = open_capture(attempt, analysis->floor_capture, "floor_capture", &bytes,
                             &end, problem);
        if (floor < 0)
            goto out;
    }
    end = ATTEMPT_LATER;
    result = spool_result_begin(attempt->spool, analysis->id, number, problem);
    if (result < 0)
        goto out;
    end = measure(attempt, request, (int[3]){content, result, floor},
                  attempt_deadline_s(bytes), problem);
    /* a file that could not be synced is not tried again: the next attempt makes a new
     * one */
    if (end == ATTEMPT_DONE &&
        !spool_result_keep(attempt->spool, analysis->id, number, problem))
        end = ATTEMPT_LATER;
    if (end != ATTEMPT_DONE)
        spool_result_discard(attempt->spool, analysis->id, number);
out:
    if (floor >= 0)
        close(floor);
    if (result >= 0)
        close(result);
    if (content >= 0)
        close(content);
    json_decref(request);
    return end;
}
