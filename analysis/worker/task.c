#include "analysis/worker/task.h"

#include <stdlib.h>
#include <string.h>

#include "analysis/capture/capture.h"
#include "analysis/capture/flac_writer.h"
#include "analysis/capture/writer.h"
#include "analysis/measurements/floor.h"
#include "analysis/measurements/registry.h"
#include "analysis/signals/signal.h"
#include "analysis/worker/encode.h"
#include "analysis/worker/handed.h"
#include "analysis/worker/recording_json.h"
#include "analysis/worker/settings_json.h"
#include "analysis/worker/signal_json.h"

enum { RENDER_FRAMES = 8192 };

static bool no_memory(struct problem *problem)
{
    return problem_set(
        problem, PROBLEM_OUT_OF_MEMORY, NULL,
        "Not enough memory for the request; try again, with fewer channels.");
}

bool task_inspect(int capture, json_t **ret, struct problem *problem)
{
    struct capture *recording = NULL;
    if (!capture_open(capture, &recording, problem))
        return false;
    json_t *answer =
        json_pack("{s:o,s:o}", "format", recording_json_format(recording, -1), "warnings",
                  recording_json_warnings(recording));
    capture_close(recording);
    if (!answer)
        return no_memory(problem);
    *ret = answer;
    return true;
}

const struct measurement *task_find(const char *name, struct problem *problem)
{
    const struct measurement *measurement = registry_find(name);
    if (!measurement)
        problem_set(problem, PROBLEM_OUT_OF_RANGE, "measurement",
                    "GET /v1/measurements and --describe list the measurements; there is "
                    "no %s.",
                    name);
    return measurement;
}

/* The channels to measure: those asked for, each of which must exist, or all. */
static bool choose_channels(const struct settings *settings, int present,
                            int channels[DESCRIPTION_MAX_CHANNELS], int *ret_count,
                            struct problem *problem)
{
    const struct setting_value *asked = &settings->values[SETTING_COMMON_CHANNELS];
    if (!asked->given) {
        for (int i = 0; i < present; i++)
            channels[i] = i + 1;
        *ret_count = present;
        return true;
    }
    for (int i = 0; i < asked->list_count; i++) {
        channels[i] = asked->list[i];
        if (channels[i] > present)
            return problem_set(
                problem, PROBLEM_OUT_OF_RANGE, "channels",
                "Channel %d was asked for; the recording has %d channel%s.", channels[i],
                present, present == 1 ? "" : "s");
    }
    *ret_count = asked->list_count;
    return true;
}

/* One of the recordings of a job, with its share of the progress. */
struct recording {
    const struct measurement *measurement;
    const struct settings *settings;
    const struct signal_json *played;
    struct fft_cache *cache;
    struct capture *capture;
    struct handed handed; /* what health found of it */
    struct progress_share share;
};

/* What is known of a recording whose health nobody could tell. */
static void warn_of_container(const struct capture *capture, struct report *report)
{
    int count;
    const struct capture_warning *warnings = capture_warnings(capture, &count);
    for (int i = 0; i < count; i++)
        report_warn(report, warnings[i].code, 0, "%s", warnings[i].message);
}

/* Gives the report of these channels. */
static bool measure(struct recording *recording, const int *channels, int count,
                    struct report **ret, struct problem *problem)
{
    const struct measurement *measurement = recording->measurement;
    struct progress progress = {progress_tell_share, &recording->share};
    const struct handed *handed = &recording->handed;
    const struct signal_json *played = recording->played;
    struct measurement_input input = {
        .capture = recording->capture,
        .settings = recording->settings,
        .clean = handed->known ? handed->clean : NULL,
        .signal = played->signal,
        .played = played->signal ? &played->parameters : NULL,
        .cache = recording->cache,
        .progress = &progress,
    };
    struct report *report = report_new(&measurement->description, channels, count);
    if (!report)
        return no_memory(problem);
    bool good = measurement->run(&input, report, problem);
    if (handed->known)
        handed_warn(handed, report);
    else
        warn_of_container(recording->capture, report);
    if (!good || !report_complete(report, problem)) {
        report_free(report);
        return false;
    }
    *ret = report;
    return true;
}

static bool check_floor(const struct capture_format *format,
                        const struct capture_format *floor, const int *channels,
                        int count, struct problem *problem)
{
    if (floor->sample_rate_hz != format->sample_rate_hz)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "floor_capture",
                           "The floor capture has a sample rate of %d Hz, the recording "
                           "%d Hz; record the floor at %d Hz too.",
                           floor->sample_rate_hz, format->sample_rate_hz,
                           format->sample_rate_hz);
    for (int i = 0; i < count; i++)
        if (channels[i] > floor->channels)
            return problem_set(problem, PROBLEM_OUT_OF_RANGE, "floor_capture",
                               "Channel %d is to be measured, but the floor capture has "
                               "%d channel%s; record the floor of every channel, or "
                               "choose with channels.",
                               channels[i], floor->channels,
                               floor->channels == 1 ? "" : "s");
    return true;
}

/* Tells that it is the floor's recording that a problem is about. */
static bool in_floor(const struct problem *found, struct problem *problem)
{
    return problem_set(problem, found->kind, "floor_capture", "In the floor capture: %s",
                       found->detail);
}

/* Gives the floor's report, of the channels that are measured. A setting out of range is
 * told as what it is: the sample rate being the same, it holds for both recordings. */
static bool measure_floor(int descriptor, struct recording *recording,
                          const struct capture_format *format, const int *channels,
                          int count, struct report **ret, struct problem *problem)
{
    struct problem found = {0};
    bool good = false;
    if (!capture_open(descriptor, &recording->capture, &found))
        return in_floor(&found, problem);
    if (!check_floor(format, capture_format(recording->capture), channels, count,
                     problem))
        goto out;
    good = measure(recording, channels, count, ret, &found);
    if (!good && found.kind == PROBLEM_OUT_OF_RANGE)
        *problem = found;
    else if (!good)
        in_floor(&found, problem);
out:
    capture_close(recording->capture);
    return good;
}

static void apply_floor(struct report *report, const struct report *floor)
{
    floor_apply(report, floor);
    for (int i = 0; i < floor->warning_count; i++)
        report_warn(report, floor->warnings[i].code, floor->warnings[i].channel,
                    "In the floor capture: %s", floor->warnings[i].message);
}

bool task_measure(const struct measurement *measurement, const struct task_measure *task,
                  struct problem *problem)
{
    struct settings settings;
    struct signal_json played;
    struct report *report = NULL, *floor = NULL;
    int channels[DESCRIPTION_MAX_CHANNELS], count = 0;
    double half = task->floor ? 0.5 : 0;
    struct fft_cache *own = task->cache ? NULL : fft_cache_new();
    struct fft_cache *cache = task->cache ? task->cache : own;
    struct recording first = {.measurement = measurement,
                              .settings = &settings,
                              .played = &played,
                              .cache = cache,
                              .share = {task->progress, 0, half}};
    struct recording second = first;
    second.share = (struct progress_share){task->progress, half, 1};
    bool good = false;
    if (!cache) {
        no_memory(problem);
        goto out;
    }
    if (!settings_json_read(&measurement->description, task->settings, &settings,
                            problem) ||
        !signal_json_read(task->signal, &played, problem) ||
        !handed_read(task->health, &second.handed, problem) ||
        !handed_read(task->floor_health, &first.handed, problem) ||
        !capture_open(task->capture, &second.capture, problem))
        goto out;
    const struct capture_format *format = capture_format(second.capture);
    signal_json_adopt(&played, task->settings, &settings);
    if (!choose_channels(&settings, format->channels, channels, &count, problem) ||
        (task->floor && !measure_floor(*task->floor, &first, format, channels, count,
                                       &floor, problem)) ||
        !measure(&second, channels, count, &report, problem))
        goto out;
    if (floor)
        apply_floor(report, floor);
    good = encode_result(&settings, &played, report, task->result, problem);
out:
    report_free(floor);
    report_free(report);
    capture_close(second.capture);
    fft_cache_free(own);
    return good;
}

/* A rendering into one of the containers; buffers too large for the stack. */
struct rendering {
    struct writer_format format;
    bool is_flac;
    struct writer wav;
    struct flac_writer *flac; /* NULL until begun */
    int32_t frames[RENDER_FRAMES * DESCRIPTION_MAX_CHANNELS];
};

static bool begin_file(struct rendering *rendering, int output, struct problem *problem)
{
    return rendering->is_flac
               ? flac_writer_begin(output, &rendering->format, &rendering->flac, problem)
               : writer_begin(output, &rendering->format, &rendering->wav, problem);
}

static bool write_signal(const struct signal *signal, struct signal_stream *stream,
                         struct rendering *rendering, const struct progress *progress,
                         struct problem *problem)
{
    const int32_t *frames = rendering->frames;
    int64_t total = rendering->format.frames;
    for (int64_t done = 0; done < total;) {
        int64_t count = total - done < RENDER_FRAMES ? total - done : RENDER_FRAMES;
        signal->next(stream, rendering->frames, count);
        if (!(rendering->is_flac
                  ? flac_writer_frames(rendering->flac, frames, count, problem)
                  : writer_frames(&rendering->wav, frames, count, problem)))
            return false;
        done += count;
        progress_tell(progress, (double)done / (double)total);
    }
    return true;
}

static bool end_file(struct rendering *rendering, int64_t *ret_bytes,
                     struct problem *problem)
{
    return rendering->is_flac ? flac_writer_end(rendering->flac, ret_bytes, problem)
                              : writer_end(&rendering->wav, ret_bytes, problem);
}

static bool render(const struct signal *signal, const struct settings *parameters,
                   const struct task_render *task, int64_t *ret_bytes,
                   struct problem *problem)
{
    struct signal_form form = signal_form(parameters);
    struct signal_stream *stream = NULL;
    struct rendering *rendering = malloc(sizeof *rendering);
    if (!rendering)
        return no_memory(problem);
    rendering->format = (struct writer_format){form.sample_rate_hz, form.bits,
                                               form.channels, form.frames};
    rendering->is_flac = strcmp(task->format, "flac") == 0;
    rendering->flac = NULL;
    bool good = signal->begin(parameters, &stream, problem) &&
                begin_file(rendering, task->output, problem) &&
                write_signal(signal, stream, rendering, task->progress, problem) &&
                end_file(rendering, ret_bytes, problem);
    signal->end(stream);
    flac_writer_free(rendering->flac);
    free(rendering);
    return good;
}

bool task_render(const struct task_render *task, int64_t *ret_bytes,
                 struct problem *problem)
{
    const struct signal *signal = signal_find(task->signal);
    if (!signal)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "signal",
            "GET /v1/signals and --describe list the signals; there is no %s.",
            task->signal);
    if (strcmp(task->format, "wav") != 0 && strcmp(task->format, "flac") != 0)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "format",
                           "Signals are rendered as wav or flac, not as %s.",
                           task->format);
    struct settings parameters;
    return settings_json_read(&signal->description, task->parameters, &parameters,
                              problem) &&
           render(signal, &parameters, task, ret_bytes, problem);
}
