#include "server/http/rendering.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "server/base/limits.h"

enum {
    RENDERS_MAX = 2, /* at a time: they hold a blocking thread and a worker each */
    RENDER_LINE_S = 120,
    HEADER_BYTES = 4096, /* more than that of any format */
    FLAC_BYTES = 64 * 1024,
    FLAC_PART = 64,
    FULL_BELOW_BYTES =
        1 << 20, /* so much free space is none to a worker that cannot write */
};

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
static json_t *make_order(const struct request *request, const json_t *signal,
                          struct server_problem *problem)
{
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
    return json_pack("{s:s, s:s, s:s, s:o}", "request", "render", "signal",
                     request_argument(request, 0), "format", format, "parameters",
                     parameters);
refused:
    json_decref(parameters);
    return NULL;
}

/* A parameter of the order, or its default; borrowed. */
static const json_t *parameter(const struct rendering *rendering, const char *name)
{
    const json_t *parameters = json_object_get(rendering->order, "parameters");
    const json_t *value = json_object_get(parameters, name);
    const json_t *all = json_object_get(rendering->signal, "parameters");
    for (size_t i = 0; value == NULL && i < json_array_size(all); i++) {
        const json_t *known = json_array_get(all, i);
        if (strcmp(json_string_value(json_object_get(known, "name")), name) == 0)
            value = json_object_get(known, "default");
    }
    return value;
}

/* Appends "text\n" to a text that is given; false without memory. */
static bool append(char **text, const char *line)
{
    char *longer = NULL;
    int length = asprintf(&longer, "%s%s\n", *text != NULL ? *text : "", line);
    free(*text);
    *text = length < 0 ? NULL : longer;
    return *text != NULL;
}

/* 997, 997.0 and 9.97e2 are one number. */
static char *value_text(const json_t *value)
{
    char *text = NULL;
    if (!json_is_number(value))
        return json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_SORT_KEYS);
    return asprintf(&text, "%.17g", json_number_value(value)) < 0 ? NULL : text;
}

/* All that makes the bytes, in one form: the program, the signal, the container, every
 * parameter in the order of the table, defaults filled in. Gives, or NULL. */
static char *facts_of(const struct request *request, const struct rendering *rendering)
{
    const json_t *engine = catalogue_engine(request->shared->config.catalogue);
    const json_t *all = json_object_get(rendering->signal, "parameters");
    char *facts = NULL;
    bool good =
        append(&facts, json_string_value(json_object_get(engine, "version"))) &&
        append(&facts, json_string_value(json_object_get(rendering->signal, "name"))) &&
        append(&facts, rendering_format(rendering));
    for (size_t i = 0; good && i < json_array_size(all); i++) {
        const char *name =
            json_string_value(json_object_get(json_array_get(all, i), "name"));
        char *value = value_text(parameter(rendering, name));
        good = value != NULL && append(&facts, name) && append(&facts, value);
        free(value);
    }
    if (good)
        return facts;
    free(facts);
    return NULL;
}

bool rendering_begin(const struct request *request, const json_t *signal,
                     struct rendering *ret, struct server_problem *problem)
{
    struct rendering rendering = {.signal = signal,
                                  .order = make_order(request, signal, problem)};
    if (rendering.order == NULL)
        return false;
    char *facts = facts_of(request, &rendering);
    bool made = facts != NULL
                    ? rendered_key(facts, rendering.key, problem)
                    : server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                         "There is no memory left for the "
                                         "signal; try again later.");
    free(facts);
    if (made)
        *ret = rendering;
    else
        rendering_free(&rendering);
    return made;
}

void rendering_free(struct rendering *rendering)
{
    json_decref(rendering->order);
    rendering->order = NULL;
}

const char *rendering_format(const struct rendering *rendering)
{
    return json_string_value(json_object_get(rendering->order, "format"));
}

/* An upper bound of the file's length, by the parameters that every signal has. What FLAC
 * cannot make smaller it stores as it is, with some bytes around each block. */
static uint64_t file_bytes(const struct rendering *rendering)
{
    double frames = ceil(json_number_value(parameter(rendering, "duration_s")) *
                         json_number_value(parameter(rendering, "sample_rate_hz")));
    double frame_bytes = json_number_value(parameter(rendering, "channels")) *
                         ceil(json_number_value(parameter(rendering, "bits")) / 8);
    uint64_t bytes = (uint64_t)(frames * frame_bytes);
    bool flac = strcmp(rendering_format(rendering), "flac") == 0;
    return HEADER_BYTES + bytes + (flac ? FLAC_BYTES + bytes / FLAC_PART : 0);
}

static void fire_cancel(void *context)
{
    atomic_store((atomic_bool *)context, true);
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

/* The file rendered anew, and kept. */
static int render(struct request *request, const struct rendering *rendering,
                  struct server_problem *problem)
{
    const struct spool *spool = request->shared->config.spool;
    char part[ID_BYTES];
    uint64_t bytes = file_bytes(rendering);
    int deadline_s = LIMIT_DEADLINE_BASE_S + (int)(bytes / LIMIT_DEADLINE_BYTES_PER_S);
    int file = rendered_begin(spool, bytes, part, problem);
    if (file < 0)
        return -1;
    if (run_worker(request, rendering->order, file, deadline_s, problem)) {
        rendered_keep(spool, part, file, rendering->key);
        return file;
    }
    rendered_discard(spool, part);
    close(file);
    return -1;
}

int rendering_open(struct request *request, const struct rendering *rendering,
                   struct server_problem *problem)
{
    struct request_context *shared = request->shared;
    int file = rendered_open(shared->config.spool, rendering->key);
    if (file >= 0)
        return file;
    if (atomic_fetch_add(&shared->renders, 1) >= RENDERS_MAX)
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                           "%d signals are being rendered already; try again later.",
                           RENDERS_MAX);
    else
        file = render(request, rendering, problem);
    atomic_fetch_sub(&shared->renders, 1);
    return file;
}
