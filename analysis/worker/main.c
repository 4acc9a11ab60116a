/* residuum-worker: analyses for the daemon (--serve), or one recording from the command
 * line by the same path. */
#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <limits.h>
#include <malloc.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>
#include <sys/mman.h>

#include "analysis/core/problem.h"
#include "analysis/worker/confine.h"
#include "analysis/worker/describe.h"
#include "analysis/worker/serve.h"
#include "analysis/worker/task.h"
#include "analysis/worker/task_health.h"
#include "analysis/worker/wire.h"

enum { EXIT_USAGE = 2, KEPT_BYTES = 64 << 20 };

static const char help[] =
    "usage: residuum-worker --file RECORDING --measure NAME [--settings JSON]\n"
    "                       [--signal JSON] [--floor RECORDING]\n"
    "       residuum-worker --file RECORDING --health [--signal JSON]\n"
    "       residuum-worker --file RECORDING --inspect\n"
    "       residuum-worker --render SIGNAL --output FILE [--settings JSON]\n"
    "       residuum-worker --describe | --help | --version\n"
    "\n"
    "Measures one recording, or renders a test signal, without a daemon.\n"
    "\n"
    "  --file RECORDING   WAV, RF64, BW64, W64, AIFF, CAF or FLAC\n"
    "  --measure NAME     takes this measurement, prints its result as JSON\n"
    "  --floor RECORDING  the recorder measured on itself: figures near it are flagged\n"
    "  --health           tells whether the recording can be trusted, as JSON\n"
    "  --signal JSON      what was played: {\"name\":\"tone\",\"parameters\":{…}}\n"
    "  --inspect          prints the format of the recording as JSON\n"
    "  --render SIGNAL    renders this test signal as a WAV file\n"
    "  --output FILE      where the signal goes\n"
    "  --settings JSON    settings of the measurement, or parameters of the signal\n"
    "  --describe         prints all measurements and signals with their settings\n"
    "  --serve FD         serves the daemon on this socket\n"
    "\n"
    "Exit status: 0 done, 1 a problem (said on standard error), 2 wrong usage.\n";

struct arguments {
    const char *file, *measure, *floor, *render, *output, *settings, *serve, *signal;
    bool inspect, health, describe, help, version;
};

static bool read_arguments(int argc, char **argv, struct arguments *ret)
{
    const struct {
        const char *name, **text;
        bool *flag;
    } known[] = {
        {"file", &ret->file, NULL},         {"measure", &ret->measure, NULL},
        {"floor", &ret->floor, NULL},       {"signal", &ret->signal, NULL},
        {"render", &ret->render, NULL},     {"output", &ret->output, NULL},
        {"settings", &ret->settings, NULL}, {"serve", &ret->serve, NULL},
        {"inspect", NULL, &ret->inspect},   {"health", NULL, &ret->health},
        {"describe", NULL, &ret->describe}, {"help", NULL, &ret->help},
        {"version", NULL, &ret->version},
    };
    enum { KNOWN = sizeof known / sizeof known[0] };
    struct option options[KNOWN + 1] = {0};
    for (int i = 0; i < KNOWN; i++)
        options[i] = (struct option){
            known[i].name, known[i].text ? required_argument : no_argument, NULL, i};
    *ret = (struct arguments){0};
    int option;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        if (option >= KNOWN) /* '?': none of them */
            return false;
        if (known[option].text)
            *known[option].text = optarg;
        else
            *known[option].flag = true;
    }
    return optind == argc;
}

/* Takes over the object. */
static bool print_json(json_t *object, struct problem *problem)
{
    char *text =
        object ? json_dumps(object, JSON_INDENT(2) | JSON_REAL_PRECISION(12)) : NULL;
    json_decref(object);
    if (!text)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to print the answer.");
    bool good = puts(text) >= 0 && fflush(stdout) == 0;
    free(text);
    return good || problem_set(problem, PROBLEM_IO, NULL, "Printing failed: %s.",
                               strerror(errno));
}

static bool open_recording(const char *path, int *ret, struct problem *problem)
{
    assert(path); /* usable() has seen to it */
    *ret = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    return *ret >= 0 ||
           problem_set(problem, PROBLEM_IO, NULL, "%.200s: %s.", path, strerror(errno));
}

/* `option` without its dashes; text NULL: not given. */
static bool read_json(const char *option, const char *text, json_t **ret,
                      struct problem *problem)
{
    json_error_t error;
    *ret = NULL;
    if (!text)
        return true;
    *ret = json_loads(text, JSON_REJECT_DUPLICATES, &error);
    return *ret || problem_set(problem, PROBLEM_OUT_OF_RANGE, option,
                               "--%s is not JSON: %s, at byte %d.", option, error.text,
                               error.position);
}

/* Gives the JSON body of a result file. */
static bool read_body(int result, json_t **ret, struct problem *problem)
{
    struct wire_result_header header;
    char *body = NULL;
    *ret = NULL;
    if (pread(result, &header, sizeof header, 0) == (ssize_t)sizeof header)
        body = malloc(header.body_bytes);
    if (body &&
        pread(result, body, header.body_bytes, sizeof header) == header.body_bytes)
        *ret = json_loadb(body, header.body_bytes, 0, NULL);
    free(body);
    return *ret ||
           problem_set(problem, PROBLEM_IO, NULL, "The result could not be read back.");
}

/* Gives the health of a recording, as the daemon asks for it. */
static bool examine(int recording, const json_t *played, json_t **ret,
                    struct problem *problem)
{
    struct task_health task = {
        .capture = recording, .signal = played, .cache = fft_cache_new()};
    bool good = task.cache || problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                                          "Not enough memory for the transforms.");
    good = good && task_health(&task, ret, problem);
    fft_cache_free(task.cache);
    return good;
}

static bool examine_floor(int recording, const json_t *played, json_t **ret,
                          struct problem *problem)
{
    struct problem found = {0};
    return examine(recording, played, ret, &found) ||
           problem_set(problem, found.kind, "floor_capture", "In the floor capture: %s",
                       found.detail);
}

/* Gives what a result says of a recording. */
static json_t *facts(const json_t *examined)
{
    const json_t *format = json_object_get(examined, "format");
    return json_pack("{s:O,s:O,s:O}", "sample_rate_hz",
                     json_object_get(format, "sample_rate_hz"), "frames",
                     json_object_get(format, "frames"), "channels",
                     json_object_get(format, "channels"));
}

/* `examined` and `floor`: what examine gave; NULL: no floor. */
static bool print_result(const char *name, int result, const json_t *examined,
                         const json_t *floor, struct problem *problem)
{
    json_t *body = NULL;
    if (!read_body(result, &body, problem))
        return false;
    json_t *answer =
        json_pack("{s:s,s:o,s:o*}", "measurement", name, "capture", facts(examined),
                  "floor_capture", floor ? facts(floor) : NULL);
    if (answer && json_object_update(answer, body) != 0) {
        json_decref(answer);
        answer = NULL;
    }
    json_decref(body);
    return print_json(answer, problem);
}

/* The way of a job: health first, and what it found handed to the measurement. */
static bool measure(const struct arguments *arguments, struct problem *problem)
{
    int recording = -1, result = -1, floor = -1;
    json_t *settings = NULL, *played = NULL, *examined = NULL, *floor_examined = NULL;
    bool good = false;
    const struct measurement *measurement = task_find(arguments->measure, problem);
    if (!measurement || !read_json("settings", arguments->settings, &settings, problem) ||
        !read_json("signal", arguments->signal, &played, problem) ||
        !open_recording(arguments->file, &recording, problem) ||
        (arguments->floor && !open_recording(arguments->floor, &floor, problem)) ||
        !examine(recording, played, &examined, problem) ||
        (arguments->floor && !examine_floor(floor, played, &floor_examined, problem)))
        goto out;
    result = memfd_create("result", MFD_CLOEXEC);
    if (result < 0) {
        problem_set(problem, PROBLEM_IO, NULL, "No memory file for the result: %s.",
                    strerror(errno));
        goto out;
    }
    struct task_measure task = {
        .settings = settings,
        .capture = recording,
        .result = result,
        .signal = played,
        .floor = arguments->floor ? &floor : NULL,
        .health = json_object_get(examined, "health"),
        .floor_health = json_object_get(floor_examined, "health"),
    };
    good = task_measure(measurement, &task, problem) &&
           print_result(arguments->measure, result, examined, floor_examined, problem);
out:
    if (recording >= 0)
        close(recording);
    if (result >= 0)
        close(result);
    if (floor >= 0)
        close(floor);
    json_decref(settings);
    json_decref(played);
    json_decref(examined);
    json_decref(floor_examined);
    return good;
}

static bool health(const struct arguments *arguments, struct problem *problem)
{
    int recording = -1;
    json_t *played = NULL, *answer = NULL;
    bool good = read_json("signal", arguments->signal, &played, problem) &&
                open_recording(arguments->file, &recording, problem) &&
                examine(recording, played, &answer, problem) &&
                print_json(answer, problem);
    if (recording >= 0)
        close(recording);
    json_decref(played);
    return good;
}

static bool inspect(const struct arguments *arguments, struct problem *problem)
{
    int recording;
    json_t *answer = NULL;
    if (!open_recording(arguments->file, &recording, problem))
        return false;
    bool good = task_inspect(recording, &answer, problem) && print_json(answer, problem);
    close(recording);
    return good;
}

/* Renders beside the output and renames: a failure leaves an older file as it was. */
static bool render(const struct arguments *arguments, struct problem *problem)
{
    char part[PATH_MAX];
    json_t *parameters = NULL;
    int64_t bytes;
    bool good = false;
    int output = -1;
    if (!read_json("settings", arguments->settings, &parameters, problem))
        return false;
    if (snprintf(part, sizeof part, "%s.part", arguments->output) >= (int)sizeof part) {
        problem_set(problem, PROBLEM_IO, "output", "The name of the output is too long.");
        goto out;
    }
    output = open(part, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (output < 0) {
        problem_set(problem, PROBLEM_IO, "output", "%.200s: %s.", part, strerror(errno));
        goto out;
    }
    struct task_render task = {
        .signal = arguments->render,
        .format = "wav",
        .parameters = parameters,
        .output = output,
    };
    good = task_render(&task, &bytes, problem);
    if (close(output) != 0 || (good && rename(part, arguments->output) != 0))
        good = problem_set(problem, PROBLEM_IO, "output", "%.200s: %s.",
                           arguments->output, strerror(errno));
    if (!good)
        unlink(part);
out:
    json_decref(parameters);
    return good;
}

static bool serve(const char *text, struct problem *problem)
{
    char *end;
    long descriptor = strtol(text, &end, 10);
    if (end == text || *end || descriptor < 0 || descriptor > INT_MAX)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "serve",
                           "--serve needs the number of an open socket, not %.40s.",
                           text);
    /* Freed buffers are kept for the next job: to hand their pages back and get them anew
     * costs a tenth of an analysis. */
    mallopt(M_MMAP_THRESHOLD, KEPT_BYTES / 2);
    mallopt(M_TRIM_THRESHOLD, KEPT_BYTES);
    json_object_seed(0); /* while /dev/urandom can be opened */
    return confine_enter(problem) && (serve_run((int)descriptor) ||
                                      problem_set(problem, PROBLEM_IO, "serve",
                                                  "The talk with the daemon broke off."));
}

static bool run(const struct arguments *arguments, struct problem *problem)
{
    if (arguments->serve)
        return serve(arguments->serve, problem);
    if (arguments->describe)
        return print_json(describe_all(), problem);
    if (arguments->measure)
        return measure(arguments, problem);
    if (arguments->health)
        return health(arguments, problem);
    if (arguments->inspect)
        return inspect(arguments, problem);
    return render(arguments, problem);
}

/* Exactly one thing to do, with what it needs and nothing else. */
static bool usable(const struct arguments *arguments)
{
    int tasks = (arguments->measure != NULL) + arguments->inspect + arguments->health +
                (arguments->render != NULL) + arguments->describe +
                (arguments->serve != NULL);
    bool needs_file = arguments->measure || arguments->inspect || arguments->health;
    bool takes_settings = arguments->measure || arguments->render;
    return tasks == 1 && needs_file == (arguments->file != NULL) &&
           (arguments->render != NULL) == (arguments->output != NULL) &&
           (takes_settings || !arguments->settings) &&
           (arguments->health || arguments->measure || !arguments->signal) &&
           (arguments->measure || !arguments->floor);
}

int main(int argc, char **argv)
{
    struct arguments arguments;
    struct problem problem = {0};
    bool read = read_arguments(argc, argv, &arguments);
    if (read && arguments.help)
        return fputs(help, stdout) < 0;
    if (read && arguments.version)
        return printf("residuum-worker %s\n", RESIDUUM_VERSION) < 0;
    if (!read || !usable(&arguments)) {
        fputs(help, stderr);
        return EXIT_USAGE;
    }
    if (run(&arguments, &problem))
        return EXIT_SUCCESS;
    fprintf(stderr, "residuum-worker: %s\n", problem.detail);
    return EXIT_FAILURE;
}
