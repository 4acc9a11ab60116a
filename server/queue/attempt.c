#include "server/queue/attempt.h"

#include <limits.h>
#include <stdlib.h>
#include <unistd.h>

#include "server/base/limits.h"
#include "server/store/content.h"

int attempt_deadline_s(uint64_t bytes)
{
    uint64_t limit_s = LIMIT_DEADLINE_BASE_S + bytes / LIMIT_DEADLINE_BYTES_PER_S;
    return limit_s < INT_MAX ? (int)limit_s : INT_MAX;
}

/** The capture's row: false with the end of the attempt. */
static bool find_capture(const struct attempt *attempt, const char *id, const char *field,
                         struct store_capture *ret, enum attempt_end *end,
                         struct server_problem *problem)
{
    if (store_capture_get(attempt->store, id, ret, problem))
        return true;
    *end = problem->code == SERVER_PROBLEM_NONE ? ATTEMPT_FAILED : ATTEMPT_LATER;
    return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, field,
                              "The recording %s is not there any more.", id);
}

/** Its content; adds its length to *bytes. −1 with the end of the attempt. */
static int open_content(const struct attempt *attempt,
                        const struct store_capture *capture, const char *field,
                        uint64_t *bytes, enum attempt_end *end,
                        struct server_problem *problem)
{
    int content = content_open(attempt->spool, attempt->store, capture, field, problem);
    if (content < 0)
        *end = problem->code == SERVER_PROBLEM_AUDIO_EXPIRED ? ATTEMPT_FAILED
                                                             : ATTEMPT_LATER;
    *bytes += capture->bytes;
    return content;
}

static bool refuse_quarantined(const struct store_capture *capture, const char *field,
                               struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_WORKER_CRASHED, field,
                              "The recording %s is quarantined, since workers died "
                              "over it: none is tried again. PATCH /v1/captures/%s with "
                              "{\"quarantined\":false} to try it once more.",
                              capture->id, capture->id);
}

/** True when what made health fail makes every analysis fail. */
static bool spoils_all(enum server_problem_code code)
{
    switch (code) {
    case SERVER_PROBLEM_NOT_FINITE:
    case SERVER_PROBLEM_NO_AUDIO:
    case SERVER_PROBLEM_NOT_AUDIO:
    case SERVER_PROBLEM_UNSUPPORTED_FORMAT:
    case SERVER_PROBLEM_NOT_MEASURABLE:
        return true;
    default:
        return false;
    }
}

/** False with the stored problem where that one spoils all. */
static bool check_failure(const struct store_capture *capture, const char *field,
                          struct server_problem *problem)
{
    struct server_problem failure;
    if (!store_failure_read(capture->health.problem, &failure) ||
        !spoils_all(failure.code))
        return true;
    return server_problem_set(problem, failure.code,
                              field != NULL ? field : failure.field, "%s",
                              failure.detail);
}

/** May it be measured? Adds to the request what health found, as `member`. `blamed` is
 * the field of a problem, or NULL. */
static bool admit(const struct store_capture *capture, const char *blamed,
                  const char *member, json_t *request, enum attempt_end *end,
                  struct server_problem *problem)
{
    const struct store_health *health = &capture->health;
    *end = ATTEMPT_FAILED;
    if (capture->quarantined)
        return refuse_quarantined(capture, blamed, problem);
    if (health->state == STORE_QUEUED) {
        *end = ATTEMPT_EARLY;
        return false;
    }
    if (health->state == STORE_FAILED)
        return check_failure(capture, blamed, problem);
    json_t *report = json_loads(health->report, JSON_REJECT_DUPLICATES, NULL);
    return report == NULL || json_object_set_new(request, member, report) == 0;
}

/** True where health failed for want of the recording's file. */
static bool was_lost(const struct store_capture *capture)
{
    struct server_problem failure;
    return store_failure_read(capture->health.problem, &failure) &&
           failure.code == SERVER_PROBLEM_AUDIO_EXPIRED;
}

/** A recording to be measured, or the floor's: its content, or −1 with the end. A file
 * that is back has its health looked at first. */
static int open_measured(const struct attempt *attempt, const char *id, bool floor,
                         json_t *request, uint64_t *bytes, enum attempt_end *end,
                         struct server_problem *problem)
{
    const char *field = floor ? "floor_capture" : "capture";
    struct store_capture capture = {0};
    int content = -1;
    if (find_capture(attempt, id, field, &capture, end, problem) &&
        admit(&capture, floor ? field : NULL, floor ? "floor_health" : "health", request,
              end, problem))
        content = open_content(attempt, &capture, field, bytes, end, problem);
    if (content >= 0 && was_lost(&capture)) {
        close(content);
        content = -1;
        *end = store_health_again(attempt->store, id, problem) ? ATTEMPT_EARLY
                                                               : ATTEMPT_LATER;
    }
    store_capture_free(&capture);
    return content;
}

/** Gives what was played, as a row keeps it; JSON null where that is not known. */
static json_t *played(const char *signal)
{
    return signal == NULL ? json_null()
                          : json_loads(signal, JSON_REJECT_DUPLICATES, NULL);
}

static json_t *make_request(const struct store_analysis *analysis)
{
    json_t *settings = json_loads(analysis->settings, JSON_REJECT_DUPLICATES, NULL);
    return json_pack("{s:s, s:s, s:o, s:o}", "request", "measure", "measurement",
                     analysis->measurement, "settings", settings, "signal",
                     played(analysis->signal));
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
    case WORKERS_CONFINEMENT: /* an attack is not tried again */
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

/** The descriptors are those of the recording, the result and the floor's recording; −1
 * where there is none. *answer is given on ATTEMPT_DONE. */
static enum attempt_end ask(const struct attempt *attempt, const json_t *request,
                            const int descriptors[3], int deadline_s, json_t **answer,
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
    enum workers_outcome outcome = workers_run(attempt->workers, &call, answer, problem);
    return end_of(outcome, problem);
}

enum attempt_end attempt_run(const struct attempt *attempt,
                             const struct store_analysis *analysis,
                             struct server_problem *problem)
{
    enum attempt_end end = ATTEMPT_FAILED;
    uint64_t bytes = 0;
    int number = analysis->attempts + 1, content = -1, result = -1, floor = -1;
    json_t *answer = NULL, *request = make_request(analysis);
    if (request == NULL) {
        server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "settings",
                           "The stored settings or the signal of this analysis cannot "
                           "be read; ask for it again.");
        goto out;
    }
    content =
        open_measured(attempt, analysis->capture, false, request, &bytes, &end, problem);
    if (content < 0)
        goto out;
    if (analysis->floor_capture[0]) {
        floor = open_measured(attempt, analysis->floor_capture, true, request, &bytes,
                              &end, problem);
        if (floor < 0)
            goto out;
    }
    end = ATTEMPT_LATER;
    result = spool_result_begin(attempt->spool, analysis->id, number, problem);
    if (result < 0)
        goto out;
    end = ask(attempt, request, (int[3]){content, result, floor},
              attempt_deadline_s(bytes), &answer, problem);
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
    json_decref(answer);
    json_decref(request);
    return end;
}

static json_t *make_look(const struct store_capture *capture)
{
    return json_pack("{s:s, s:o}", "request", "health", "signal",
                     played(capture->signal));
}

static char *text_of(const json_t *answer, const char *member)
{
    return json_dumps(json_object_get(answer, member),
                      JSON_COMPACT | JSON_REAL_PRECISION(17));
}

static enum attempt_end look(const struct attempt *attempt,
                             const struct store_capture *capture,
                             struct attempt_found *ret, struct server_problem *problem)
{
    enum attempt_end end = ATTEMPT_LATER;
    uint64_t bytes = 0;
    json_t *answer = NULL, *request = make_look(capture);
    int content = open_content(attempt, capture, "", &bytes, &end, problem);
    if (content < 0)
        goto out;
    end = ask(attempt, request, (int[3]){content, -1, -1}, attempt_deadline_s(bytes),
              &answer, problem);
    if (end == ATTEMPT_DONE) {
        ret->format = text_of(answer, "format");
        ret->report = text_of(answer, "health");
        ret->suggested = text_of(answer, "suggested");
    }
out:
    if (content >= 0)
        close(content);
    json_decref(answer);
    json_decref(request);
    return end;
}

enum attempt_end attempt_health(const struct attempt *attempt, const char *id,
                                struct attempt_found *ret, struct server_problem *problem)
{
    enum attempt_end end = ATTEMPT_NEEDLESS;
    struct store_capture capture = {0};
    *ret = (struct attempt_found){0};
    if (!store_capture_get(attempt->store, id, &capture, problem))
        return problem->code == SERVER_PROBLEM_NONE ? ATTEMPT_NEEDLESS : ATTEMPT_LATER;
    ret->attempts = capture.health.attempts;
    if (capture.health.state == STORE_QUEUED) {
        ret->signal = capture.signal;
        if (capture.quarantined) {
            refuse_quarantined(&capture, "", problem);
            end = ATTEMPT_FAILED;
        } else {
            end = look(attempt, &capture, ret, problem);
        }
        capture.signal = NULL; /* the caller's now */
    }
    store_capture_free(&capture);
    return end;
}

void attempt_found_free(struct attempt_found *found)
{
    free(found->signal);
    free(found->format);
    free(found->report);
    free(found->suggested);
    *found = (struct attempt_found){0};
}
