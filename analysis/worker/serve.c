#include "analysis/worker/serve.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/dsp/fft.h"
#include "analysis/worker/describe.h"
#include "analysis/worker/json_build.h"
#include "analysis/worker/task.h"
#include "analysis/worker/task_health.h"
#include "analysis/worker/wire.h"

enum { PROGRESS_INTERVAL_MS = 200 };

struct conversation {
    int socket;
    struct fft_cache *cache; /* warm from job to job */
    int64_t told_ms;         /* when the last progress frame went */
    bool broken;
};

static int64_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static void send_text(struct conversation *conversation, const char *text)
{
    if (!conversation->broken &&
        wire_send(conversation->socket, text, strlen(text), NULL, 0) != WIRE_OK)
        conversation->broken = true;
}

/* Takes over the answer; without memory for it, says so in words that need none. */
static void send_answer(struct conversation *conversation, json_t *answer)
{
    char *text = answer ? json_dumps(answer, JSON_BUILD_FLAGS) : NULL;
    send_text(conversation,
              text && strlen(text) <= WIRE_FRAME_MAX_BYTES
                  ? text
                  : "{\"answer\":\"problem\",\"code\":\"out_of_memory\",\"field\":null,"
                    "\"detail\":\"Not enough memory for the answer; try again.\"}");
    free(text);
    json_decref(answer);
}

static void send_problem(struct conversation *conversation, const struct problem *problem)
{
    json_t *field = problem->field[0] ? json_string(problem->field) : json_null();
    send_answer(conversation, json_pack("{s:s,s:s,s:o,s:s}", "answer", "problem", "code",
                                        problem_code(problem->kind), "field", field,
                                        "detail", problem->detail));
}

static void tell_progress(double fraction, void *context)
{
    struct conversation *conversation = context;
    int64_t now = now_ms();
    if (now - conversation->told_ms < PROGRESS_INTERVAL_MS)
        return;
    conversation->told_ms = now;
    fraction = fraction > 1 ? 1 : fraction > 0 ? fraction : 0;
    send_answer(conversation,
                json_pack("{s:s,s:f}", "answer", "progress", "fraction", fraction));
}

/* Each request handler fills *ret with an answer that lacks only "answer":"done". */
struct request {
    const json_t *object;
    const int *descriptors;
    size_t descriptor_count;
    struct fft_cache *cache;
    const struct progress *progress;
};

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory for the answer; try again.");
}

static bool serve_describe(const struct request *request, json_t **ret,
                           struct problem *problem)
{
    (void)request;
    *ret = describe_all();
    return *ret || no_memory(problem);
}

static bool serve_inspect(const struct request *request, json_t **ret,
                          struct problem *problem)
{
    return task_inspect(request->descriptors[0], ret, problem);
}

static bool serve_health(const struct request *request, json_t **ret,
                         struct problem *problem)
{
    struct task_health task = {
        .capture = request->descriptors[0],
        .signal = json_object_get(request->object, "signal"),
        .cache = request->cache,
        .progress = request->progress,
    };
    bool good = task_health(&task, ret, problem);
    fft_cache_trim(request->cache);
    return good;
}

static const char *text_of(const struct request *request, const char *name)
{
    return json_string_value(json_object_get(request->object, name));
}

static bool serve_measure(const struct request *request, json_t **ret,
                          struct problem *problem)
{
    const struct measurement *measurement =
        task_find(text_of(request, "measurement"), problem);
    struct task_measure task = {
        .settings = json_object_get(request->object, "settings"),
        .capture = request->descriptors[0],
        .result = request->descriptors[1],
        .floor = request->descriptor_count > 2 ? &request->descriptors[2] : NULL,
        .signal = json_object_get(request->object, "signal"),
        .health = json_object_get(request->object, "health"),
        .floor_health = json_object_get(request->object, "floor_health"),
        .cache = request->cache,
        .progress = request->progress,
    };
    if (!measurement)
        return false;
    bool good = task_measure(measurement, &task, problem);
    fft_cache_trim(request->cache);
    if (!good)
        return false;
    *ret = json_object();
    return *ret || no_memory(problem);
}

static bool serve_render(const struct request *request, json_t **ret,
                         struct problem *problem)
{
    struct task_render task = {
        .signal = text_of(request, "signal"),
        .format = text_of(request, "format"),
        .parameters = json_object_get(request->object, "parameters"),
        .output = request->descriptors[0],
        .progress = request->progress,
    };
    int64_t bytes;
    if (!task_render(&task, &bytes, problem))
        return false;
    *ret = json_pack("{s:I}", "bytes", (json_int_t)bytes);
    return *ret || no_memory(problem);
}

enum { MAX_FIELDS = 6 };

static const struct handler {
    const char *name;
    size_t descriptors, most_descriptors;
    struct {
        const char *name;
        json_type type;
        bool optional;    /* it may be missing, or null */
    } fields[MAX_FIELDS]; /* ends at the first without a name */
    bool (*serve)(const struct request *request, json_t **ret, struct problem *problem);
} handlers[] = {
    {"describe", 0, 0, {{.name = "request", .type = JSON_STRING}}, serve_describe},
    {"inspect", 1, 1, {{.name = "request", .type = JSON_STRING}}, serve_inspect},
    {"health",
     1,
     1,
     {{"request", JSON_STRING, false}, {"signal", JSON_OBJECT, true}},
     serve_health},
    {"measure",
     2,
     3,
     {{"request", JSON_STRING, false},
      {"measurement", JSON_STRING, false},
      {"settings", JSON_OBJECT, false},
      {"signal", JSON_OBJECT, true},
      {"health", JSON_OBJECT, true},
      {"floor_health", JSON_OBJECT, true}},
     serve_measure},
    {"render",
     1,
     1,
     {{"request", JSON_STRING, false},
      {"signal", JSON_STRING, false},
      {"format", JSON_STRING, false},
      {"parameters", JSON_OBJECT, false}},
     serve_render},
};

static const struct handler *find_handler(const json_t *object, struct problem *problem)
{
    const char *name = json_string_value(json_object_get(object, "request"));
    for (size_t i = 0; name && i < sizeof handlers / sizeof handlers[0]; i++)
        if (strcmp(handlers[i].name, name) == 0)
            return &handlers[i];
    problem_set(
        problem, PROBLEM_OUT_OF_RANGE, "request",
        "The request must be describe, inspect, health, measure or render, not %s.",
        name ? name : "missing");
    return NULL;
}

static bool check_fields(const struct handler *handler, const json_t *object,
                         struct problem *problem)
{
    size_t count = 0;
    for (size_t i = 0; i < MAX_FIELDS && handler->fields[i].name; i++) {
        const json_t *value = json_object_get(object, handler->fields[i].name);
        count += value != NULL;
        if (handler->fields[i].optional && (!value || json_is_null(value)))
            continue;
        if (!value || json_typeof(value) != handler->fields[i].type)
            return problem_set(problem, PROBLEM_MISSING_FIELD, handler->fields[i].name,
                               "The request %s needs the field %s, %s.", handler->name,
                               handler->fields[i].name,
                               handler->fields[i].type == JSON_OBJECT ? "an object"
                                                                      : "a string");
    }
    if (json_object_size(object) != count)
        return problem_set(problem, PROBLEM_UNKNOWN_FIELD, NULL,
                           "The request %s has %zu fields; it takes %zu.", handler->name,
                           json_object_size(object), count);
    return true;
}

static bool answer_request(struct conversation *conversation,
                           const struct wire_frame *frame, json_t **ret,
                           struct problem *problem)
{
    json_error_t error;
    struct progress progress = {tell_progress, conversation};
    bool good = false;
    json_t *object =
        json_loadb(frame->json, frame->length, JSON_REJECT_DUPLICATES, &error);
    if (!json_is_object(object)) {
        problem_set(problem, PROBLEM_OUT_OF_RANGE, "request",
                    "The request is not a JSON object: %s.",
                    object ? "it is another value" : error.text);
        goto out;
    }
    const struct handler *handler = find_handler(object, problem);
    if (!handler || !check_fields(handler, object, problem))
        goto out;
    if (frame->descriptor_count < handler->descriptors ||
        frame->descriptor_count > handler->most_descriptors) {
        problem_set(problem, PROBLEM_MISSING_FIELD, NULL,
                    "The request %s needs %zu to %zu descriptors; %zu came.",
                    handler->name, handler->descriptors, handler->most_descriptors,
                    frame->descriptor_count);
        goto out;
    }
    good = handler->serve(&(struct request){object, frame->descriptors,
                                            frame->descriptor_count, conversation->cache,
                                            &progress},
                          ret, problem);
out:
    json_decref(object);
    return good;
}

static void serve_frame(struct conversation *conversation, const struct wire_frame *frame)
{
    json_t *answer = NULL;
    struct problem problem = {0};
    if (answer_request(conversation, frame, &answer, &problem))
        send_answer(conversation, json_build_with(answer, "answer", json_string("done")));
    else
        send_problem(conversation, &problem);
}

bool serve_run(int socket)
{
    struct conversation conversation = {.socket = socket, .cache = fft_cache_new()};
    enum wire_status status = WIRE_BROKEN;
    while (conversation.cache && !conversation.broken) {
        struct wire_frame frame;
        status = wire_receive(socket, -1, &frame);
        if (status != WIRE_OK)
            break;
        conversation.told_ms = now_ms();
        serve_frame(&conversation, &frame);
        wire_frame_free(&frame);
    }
    fft_cache_free(conversation.cache);
    return status == WIRE_CLOSED;
}
