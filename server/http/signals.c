/* GET /v1/signals, /v1/signals/NAME, and /v1/signals/NAME/audio, which a worker renders
 * into a temporary file. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/base/limits.h"
#include "server/http/described.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

enum {
    RENDERS_MAX = 2, /* at a time: they hold a blocking thread and a worker each */
    RENDER_LINE_S = 120,
    HEADER_BYTES = 4096, /* more than that of any format */
    FULL_BELOW_BYTES =
        1 << 20, /* so much free space is none to a worker that cannot write */
};

static void answer_list(struct request *request)
{
    described_reply_list(request, catalogue_signals(request->shared->config.catalogue),
                         "signals");
}

static void answer_item(struct request *request)
{
    const struct catalogue *catalogue = request->shared->config.catalogue;
    described_reply_item(request,
                         catalogue_signal(catalogue, request_argument(request, 0)),
                         catalogue_signals(catalogue), "signals");
}

static bool check_format(const json_t *signal, const char *format,
                         struct server_problem *problem)
{
    const json_t *formats = json_object_get(signal, "formats");
    char known[64] = "";
    for (size_t i = 0; i < json_array_size(formats); i++) {
        const char *name = json_string_value(json_array_get(formats, i));
        if (strcmp(name, format) == 0)
            return true;
        size_t used = strlen(known);
        snprintf(known + used, sizeof known - used, "%s%s", used > 0 ? ", " : "", name);
    }
    return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "format",
                              "format is \"%.40s\"; it must be one of: %s.", format,
                              known);
}

/* Gives the worker's request from the query, or NULL with the problem. */
static json_t *render_request(const struct request *request,
                              struct server_problem *problem)
{
    const char *name = request_argument(request, 0);
    const json_t *signal = catalogue_signal(request->shared->config.catalogue, name);
    const char *format = request_parameter(request, "format");
    json_t *parameters = json_object();
    format = format != NULL ? format : "wav";
    if (!check_format(signal, format, problem))
        goto refused;
    for (int i = 0; i < request->target.parameter_count; i++) {
        const struct target_parameter *given = &request->target.parameters[i];
        if (strcmp(given->name, "format") == 0)
            continue;
        json_t *value =
            catalogue_parameter_from_text(signal, given->name, given->value, problem);
        if (value == NULL)
            goto refused;
        json_object_set_new(parameters, given->name, value);
    }
    if (!catalogue_check_parameters(signal, parameters, problem))
        goto refused;
    return json_pack("{s:s, s:s, s:s, s:o}", "request", "render", "signal", name,
                     "format", format, "parameters", parameters);
refused:
    json_decref(parameters);
    return NULL;
}

static void fire_cancel(void *context)
{
    atomic_store((atomic_bool *)context, true);
}

/* A parameter of the order, or its default. */
static double parameter(const json_t *signal, const json_t *order, const char *name)
{
    const json_t *value = json_object_get(json_object_get(order, "parameters"), name);
    const json_t *all = json_object_get(signal, "parameters");
    for (size_t i = 0; value == NULL && i < json_array_size(all); i++) {
        const json_t *known = json_array_get(all, i);
        if (strcmp(json_string_value(json_object_get(known, "name")), name) == 0)
            value = json_object_get(known, "default");
    }
    return json_number_value(value);
}

/* An upper bound of the file's length, by the parameters that every signal has. */
static uint64_t file_bytes(const json_t *signal, const json_t *order)
{
    double frames = ceil(parameter(signal, order, "duration_s") *
                         parameter(signal, order, "sample_rate_hz"));
    double frame_bytes =
        parameter(signal, order, "channels") * ceil(parameter(signal, order, "bits") / 8);
    return HEADER_BYTES + (uint64_t)(frames * frame_bytes);
}

/* What became of a rendering that did not end well, in words of a signal. */
static void explain(const struct request *request, enum http_outcome outcome,
                    int deadline_s, const struct server_problem *said,
                    struct server_problem *problem)
{
    bool wrote_badly = said->code == SERVER_PROBLEM_UNAVAILABLE;
    uint64_t free_bytes = spool_free_bytes(request->shared->config.spool);
    if (outcome == HTTP_OUTCOME_REFUSED && wrote_badly && free_bytes < FULL_BELOW_BYTES)
        server_problem_set(problem, SERVER_PROBLEM_DISK_FULL, "",
                           "The signal could not be written: %llu bytes are free on the "
                           "disk of the state folder; free some space and try again.",
                           (unsigned long long)free_bytes);
    else if (outcome == HTTP_OUTCOME_REFUSED)
        *problem = *said;
    else if (outcome == HTTP_OUTCOME_UNASKED)
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "No worker runs that could render the signal; see the "
                           "daemon's messages, and try again later.");
    else
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "The signal could not be rendered: no worker was free for it "
                           "within %d s, or it did not end within %d s; try again later, "
                           "or ask for a shorter one.",
                           RENDER_LINE_S, deadline_s);
}

static bool run_worker(struct request *request, const json_t *order, int file,
                       int deadline_s, struct server_problem *problem)
{
    const struct http_services *services = &request->shared->config.services;
    struct server_problem said = {0};
    json_t *answer = NULL;
    atomic_bool cancel = false;
    request->deadline =
        (struct deadline){.kind = DEADLINE_WORK, .fire = fire_cancel, .context = &cancel};
    deadlines_add(request->shared->deadlines, &request->deadline,
                  (int64_t)(RENDER_LINE_S + deadline_s) * 1000);
    enum http_outcome outcome = services->render(services->context, order, file,
                                                 deadline_s, &cancel, &answer, &said);
    deadlines_remove(request->shared->deadlines, &request->deadline);
    struct stat status;
    bool whole = outcome == HTTP_OUTCOME_DONE && fstat(file, &status) == 0 &&
                 json_integer_value(json_object_get(answer, "bytes")) == status.st_size;
    json_decref(answer);
    if (!whole)
        explain(request, outcome, deadline_s, &said, problem);
    return whole;
}

static void reply_file(struct request *request, int file)
{
    struct stat status;
    struct MHD_Response *response = NULL;
    if (fstat(file, &status) == 0)
        response = MHD_create_response_from_fd64((uint64_t)status.st_size, file);
    if (response == NULL)
        close(file);
    reply_response(request, MHD_HTTP_OK, "audio/wav", response);
}

static bool render(struct request *request, const json_t *signal,
                   struct server_problem *problem)
{
    json_t *order = render_request(request, problem);
    if (order == NULL)
        return false;
    uint64_t bytes = file_bytes(signal, order);
    int deadline_s = LIMIT_DEADLINE_BASE_S + (int)(bytes / LIMIT_DEADLINE_BYTES_PER_S);
    int file = spool_temporary(request->shared->config.spool, bytes, problem);
    bool rendered = file >= 0 && run_worker(request, order, file, deadline_s, problem);
    json_decref(order);
    if (rendered)
        reply_file(request, file);
    else if (file >= 0)
        close(file);
    return rendered;
}

static void work_audio(struct request *request)
{
    struct request_context *shared = request->shared;
    const char *name = request_argument(request, 0);
    struct server_problem problem = {0};
    const json_t *signal = catalogue_signal(shared->config.catalogue, name);
    if (signal == NULL) {
        described_reply_item(request, NULL, catalogue_signals(shared->config.catalogue),
                             "signals");
        return;
    }
    if (atomic_fetch_add(&shared->renders, 1) >= RENDERS_MAX)
        server_problem_set(&problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "%d signals are being rendered already; try again later.",
                           RENDERS_MAX);
    else
        render(request, signal, &problem);
    atomic_fetch_sub(&shared->renders, 1);
    if (problem.code != SERVER_PROBLEM_NONE)
        reply_problem(request, &problem);
}

const struct route signals_routes[] = {
    {.method = "GET", .path = "/v1/signals", .query = "", .answer = answer_list},
    {.method = "GET", .path = "/v1/signals/{name}", .query = "", .answer = answer_item},
    {.method = "GET", .path = "/v1/signals/{name}/audio", .work = work_audio},
    {0},
};
