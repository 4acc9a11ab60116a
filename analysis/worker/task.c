#include "analysis/worker/task.h"

#include <stdlib.h>
#include <string.h>

#include "analysis/capture/capture.h"
#include "analysis/capture/writer.h"
#include "analysis/measurements/registry.h"
#include "analysis/signals/signal.h"
#include "analysis/worker/encode.h"
#include "analysis/worker/json_build.h"
#include "analysis/worker/settings_json.h"

enum { RENDER_FRAMES = 8192 };

static bool no_memory(struct problem *problem)
{
    return problem_set(
        problem, PROBLEM_OUT_OF_MEMORY, NULL,
        "Not enough memory for the request; try again, with fewer channels.");
}

static json_t *format_object(const struct capture_format *format)
{
    json_t *frames = json_null(), *duration_s = json_null();
    if (format->frames >= 0) {
        frames = json_integer(format->frames);
        duration_s = json_build_real((double)format->frames / format->sample_rate_hz);
    }
    return json_pack("{s:s,s:s,s:i,s:i,s:o,s:o}", "container", format->container,
                     "encoding", format->encoding, "sample_rate_hz",
                     format->sample_rate_hz, "channels", format->channels, "frames",
                     frames, "duration_s", duration_s);
}

bool task_inspect(int capture, json_t **ret, struct problem *problem)
{
    struct capture *recording = NULL;
    if (!capture_open(capture, &recording, problem))
        return false;
    json_t *answer = json_pack("{s:o,s:[]}", "format",
                               format_object(capture_format(recording)), "warnings");
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

bool task_measure(const struct measurement *measurement, const struct task_measure *task,
                  struct problem *problem)
{
    struct settings settings;
    struct capture *recording = NULL;
    struct report *report = NULL;
    int channels[DESCRIPTION_MAX_CHANNELS], count = 0;
    bool good = false;
    if (!settings_json_read(&measurement->description, task->settings, &settings,
                            problem) ||
        !capture_open(task->capture, &recording, problem))
        goto out;
    if (!choose_channels(&settings, capture_format(recording)->channels, channels, &count,
                         problem))
        goto out;
    report = report_new(&measurement->description, channels, count);
    if (!report) {
        no_memory(problem);
        goto out;
    }
    good = measurement->run(recording, &settings, task->progress, report, problem) &&
           report_complete(report, problem) &&
           encode_result(&settings, report, task->result, problem);
out:
    report_free(report);
    capture_close(recording);
    return good;
}

/* Buffers of a rendering, both too large for the stack. */
struct rendering {
    struct writer writer;
    int32_t frames[RENDER_FRAMES * DESCRIPTION_MAX_CHANNELS];
};

static bool write_signal(const struct signal *signal, struct signal_stream *stream,
                         struct rendering *rendering, const struct progress *progress,
                         struct problem *problem)
{
    int64_t total = rendering->writer.format.frames;
    for (int64_t done = 0; done < total;) {
        int64_t count = total - done < RENDER_FRAMES ? total - done : RENDER_FRAMES;
        signal->next(stream, rendering->frames, count);
        if (!writer_frames(&rendering->writer, rendering->frames, count, problem))
            return false;
        done += count;
        progress_tell(progress, (double)done / (double)total);
    }
    return true;
}

static bool render(const struct signal *signal, const struct settings *parameters,
                   const struct task_render *task, int64_t *ret_bytes,
                   struct problem *problem)
{
    struct signal_form form = signal_form(parameters);
    struct writer_format format = {form.sample_rate_hz, form.bits, form.channels,
                                   form.frames};
    struct signal_stream *stream = NULL;
    struct rendering *rendering = malloc(sizeof *rendering);
    if (!rendering)
        return no_memory(problem);
    bool good = signal->begin(parameters, &stream, problem) &&
                writer_begin(task->output, &format, &rendering->writer, problem) &&
                write_signal(signal, stream, rendering, task->progress, problem) &&
                writer_end(&rendering->writer, ret_bytes, problem);
    signal->end(stream);
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
    if (strcmp(task->format, "wav") != 0)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "format",
                           "Signals are rendered as wav, not as %s.", task->format);
    struct settings parameters;
    return settings_json_read(&signal->description, task->parameters, &parameters,
                              problem) &&
           render(signal, &parameters, task, ret_bytes, problem);
}
