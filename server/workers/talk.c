#include "server/workers/talk.h"

#include <errno.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/workers/health_shape.h"

enum wire_status talk_send(int socket, const struct workers_call *call)
{
    int descriptors[WIRE_MAX_DESCRIPTORS];
    size_t count = 0;
    for (size_t i = 0; i < WIRE_MAX_DESCRIPTORS; i++)
        if (call->descriptors[i] >= 0)
            descriptors[count++] = call->descriptors[i];
    char *text = json_dumps(call->request, JSON_COMPACT);
    if (text == NULL)
        return WIRE_BROKEN;
    enum wire_status status = wire_send(socket, text, strlen(text), descriptors, count);
    free(text);
    return status;
}

/** What a "done" must hold beside `answer`, by request; nothing else may be in it. */
static const struct promise {
    const char *request;
    struct promise_field {
        const char *name;
        json_type type;
    } fields[3];
} promises[] = {
    {"describe",
     {{"engine", JSON_OBJECT}, {"measurements", JSON_ARRAY}, {"signals", JSON_ARRAY}}},
    {"inspect", {{"format", JSON_OBJECT}, {"warnings", JSON_ARRAY}}},
    {"health",
     {{"format", JSON_OBJECT}, {"health", JSON_OBJECT}, {"suggested", JSON_ARRAY}}},
    {"measure", {{NULL, JSON_NULL}}},
    {"render", {{"bytes", JSON_INTEGER}}},
};

static const struct promise *promise_of(const json_t *request)
{
    const char *name = json_string_value(json_object_get(request, "request"));
    for (size_t i = 0; name && i < sizeof promises / sizeof promises[0]; i++)
        if (strcmp(promises[i].request, name) == 0)
            return &promises[i];
    return NULL;
}

static bool asks(const json_t *request, const char *what)
{
    const char *name = json_string_value(json_object_get(request, "request"));
    return name != NULL && strcmp(name, what) == 0;
}

static bool done_holds(const json_t *done, const json_t *request)
{
    const struct promise *promise = promise_of(request);
    size_t count = 1; /* "answer" */
    for (size_t i = 0; promise && i < 3 && promise->fields[i].name; i++, count++) {
        const json_t *value = json_object_get(done, promise->fields[i].name);
        if (value == NULL || json_typeof(value) != promise->fields[i].type)
            return false;
    }
    return promise != NULL && json_object_size(done) == count &&
           (!asks(request, "health") || health_shape_holds(done)) &&
           (!asks(request, "inspect") || health_shape_inspected(done));
}

static bool result_is_there(const struct workers_call *call)
{
    if (!asks(call->request, "measure"))
        return true;
    struct stat file;
    return fstat(call->descriptors[1], &file) == 0 &&
           (size_t)file.st_size >= sizeof(struct wire_result_header);
}

static bool deeper_than(const json_t *value, int levels)
{
    if (levels < 0)
        return true;
    size_t index;
    const char *key;
    json_t *child;
    if (json_is_object(value)) {
        json_object_foreach((json_t *)value, key, child)
        {
            if (deeper_than(child, levels - 1))
                return true;
        }
    } else if (json_is_array(value)) {
        json_array_foreach(value, index, child)
        {
            if (deeper_than(child, levels - 1))
                return true;
        }
    }
    return false;
}

/** Codes a worker may use: what it can know of a recording and a request. "unavailable"
 * is its word for a descriptor that could not be read or written; a full disk is for
 * those who write to one, since a job that met it is tried again for as long as it takes.
 */
static bool worker_may_say(enum server_problem_code code, const json_t *request)
{
    switch (code) {
    case SERVER_PROBLEM_NOT_AUDIO:
    case SERVER_PROBLEM_UNSUPPORTED_FORMAT:
    case SERVER_PROBLEM_NO_AUDIO:
    case SERVER_PROBLEM_UNKNOWN_FIELD:
    case SERVER_PROBLEM_MISSING_FIELD:
    case SERVER_PROBLEM_OUT_OF_RANGE:
    case SERVER_PROBLEM_NOT_MEASURABLE:
    case SERVER_PROBLEM_WRONG_SIGNAL:
    case SERVER_PROBLEM_NOT_FINITE:
    case SERVER_PROBLEM_OUT_OF_MEMORY:
    case SERVER_PROBLEM_UNAVAILABLE:
        return true;
    case SERVER_PROBLEM_DISK_FULL:
        return asks(request, "measure") || asks(request, "render");
    default:
        return false;
    }
}

/** How much of `text` fits into `room` bytes without cutting a UTF-8 character. */
static int fitting(const char *text, size_t room)
{
    size_t length = strlen(text);
    if (length > room) {
        length = room;
        while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80)
            length--;
    }
    return (int)length;
}

enum verdict { PROGRESS, ENDED, NONSENSE };

static enum verdict read_problem(const json_t *answer, const json_t *request,
                                 enum workers_outcome *ret,
                                 struct server_problem *problem)
{
    const json_t *field = json_object_get(answer, "field");
    const char *code_text = json_string_value(json_object_get(answer, "code"));
    const char *detail = json_string_value(json_object_get(answer, "detail"));
    const char *name = json_string_value(field);
    if (json_object_size(answer) != 4 || !code_text || !detail ||
        !(name || json_is_null(field)))
        return NONSENSE;
    enum server_problem_code code = server_problem_from_text(code_text);
    if (!worker_may_say(code, request))
        return NONSENSE;
    struct server_problem said = {0};
    server_problem_set(&said, code, NULL, "%.*s", fitting(detail, sizeof said.detail - 1),
                       detail);
    if (name)
        memcpy(said.field, name, (size_t)fitting(name, sizeof said.field - 1));
    if (problem && problem->code == SERVER_PROBLEM_NONE)
        *problem = said;
    *ret = code == SERVER_PROBLEM_OUT_OF_MEMORY ? WORKERS_OUT_OF_MEMORY : WORKERS_REFUSED;
    return ENDED;
}

static enum verdict read_progress(const json_t *answer, const struct workers_call *call)
{
    const json_t *fraction = json_object_get(answer, "fraction");
    double value = json_number_value(fraction);
    if (json_object_size(answer) != 2 || !json_is_number(fraction) ||
        !(value >= 0 && value <= 1))
        return NONSENSE;
    if (call->progress)
        call->progress(value, call->context);
    return PROGRESS;
}

static enum verdict read_frame(const struct wire_frame *frame,
                               const struct workers_call *call, json_t **answer,
                               enum workers_outcome *ret, struct server_problem *problem)
{
    /* whose answers go into the database */
    bool kept = asks(call->request, "health") || asks(call->request, "inspect");
    if (frame->descriptor_count > 0 || (kept && frame->length > LIMIT_HEALTH_BYTES))
        return NONSENSE;
    json_t *root = json_loadb(frame->json, frame->length, JSON_REJECT_DUPLICATES, NULL);
    const char *kind = json_string_value(json_object_get(root, "answer"));
    enum verdict verdict = NONSENSE;
    if (kind == NULL || deeper_than(root, LIMIT_JSON_DEPTH))
        goto out;
    if (strcmp(kind, "progress") == 0) {
        verdict = read_progress(root, call);
    } else if (strcmp(kind, "problem") == 0) {
        verdict = read_problem(root, call->request, ret, problem);
    } else if (strcmp(kind, "done") == 0 && done_holds(root, call->request) &&
               result_is_there(call)) {
        *answer = json_incref(root);
        *ret = WORKERS_DONE;
        verdict = ENDED;
    }
out:
    json_decref(root);
    return verdict;
}

static enum workers_outcome crashed(struct server_problem *problem, const char *how)
{
    server_problem_set(problem, SERVER_PROBLEM_WORKER_CRASHED, NULL, "%s", how);
    return WORKERS_CRASHED;
}

static enum workers_outcome timed_out(struct server_problem *problem, int deadline_s)
{
    server_problem_set(problem, SERVER_PROBLEM_TIMED_OUT, NULL,
                       "The worker was stopped: no answer after %d s, the limit for this "
                       "recording.",
                       deadline_s);
    return WORKERS_TIMED_OUT;
}

/** Waits at most TALK_WATCH_MS; true when there is something to read. */
static bool readable(int socket, int64_t left_ms)
{
    struct pollfd wait = {.fd = socket, .events = POLLIN};
    int slice_ms = left_ms < TALK_WATCH_MS ? (int)left_ms : TALK_WATCH_MS;
    return poll(&wait, 1, slice_ms) > 0;
}

/** True when the other end closed with our request still unread in its socket: Linux
 * tells that by ECONNRESET in place of an end. */
static bool died_unheard(int socket)
{
    char byte;
    return recv(socket, &byte, 1, MSG_PEEK | MSG_DONTWAIT) < 0 && errno == ECONNRESET;
}

enum workers_outcome talk_answer(int socket, const struct workers_call *call,
                                 int64_t deadline_ms, json_t **answer,
                                 struct server_problem *problem)
{
    for (;;) {
        if (call->cancel && atomic_load(call->cancel)) {
            server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                               "The analysis was given up.");
            return WORKERS_CANCELLED;
        }
        int64_t left_ms = deadline_ms - clock_monotonic_ms();
        if (left_ms <= 0)
            return timed_out(problem, call->deadline_s);
        if (!readable(socket, left_ms))
            continue;
        if (died_unheard(socket))
            return WORKERS_STOPPED;
        struct wire_frame frame;
        int limit_ms = left_ms < TALK_FRAME_MS ? (int)left_ms : TALK_FRAME_MS;
        enum wire_status status = wire_receive(socket, limit_ms, &frame);
        if (status == WIRE_TIMEOUT && limit_ms == left_ms)
            return timed_out(problem, call->deadline_s);
        if (status == WIRE_CLOSED)
            return crashed(problem, "The worker died before it answered.");
        if (status != WIRE_OK)
            return crashed(problem, "The worker's answer broke off or was no frame.");
        enum workers_outcome outcome = WORKERS_CRASHED;
        enum verdict verdict = read_frame(&frame, call, answer, &outcome, problem);
        wire_frame_free(&frame);
        if (verdict == ENDED)
            return outcome;
        if (verdict == NONSENSE)
            return crashed(problem, "The worker's answer was not understood.");
    }
}
