#include "analysis/health/health.h"

#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

#include "analysis/health/breaks.h"
#include "analysis/health/levels.h"
#include "analysis/health/pairs.h"
#include "analysis/health/parts.h"
#include "analysis/health/traces.h"

enum {
    BLOCK_FRAMES = 2048, /* they fit the nearest cache, and transforms take them whole */
    ALIGNMENT = 64,
    PARTS_MAX = 8,
};

static const double second_looks = 0.05; /* share of the progress after the reading */

/* A part without its type, so that all of them stand in one table. */
struct part {
    void *(*begin)(const struct health_subject *subject, struct problem *problem);
    bool (*feed)(void *part, const struct health_block *block, struct problem *problem);
    bool (*end)(void *part, struct health *health, struct problem *problem);
    void (*release)(void *part);
};

#define HEALTH_PART(name)                                                                \
    static void *name##_part_begin(const struct health_subject *subject,                 \
                                   struct problem *problem)                              \
    {                                                                                    \
        return name##_new(subject, problem);                                             \
    }                                                                                    \
    static bool name##_part_feed(void *part, const struct health_block *block,           \
                                 struct problem *problem)                                \
    {                                                                                    \
        return name##_feed(part, block, problem);                                        \
    }                                                                                    \
    static bool name##_part_end(void *part, struct health *health,                       \
                                struct problem *problem)                                 \
    {                                                                                    \
        return name##_end(part, health, problem);                                        \
    }                                                                                    \
    static void name##_part_release(void *part)                                          \
    {                                                                                    \
        name##_free(part);                                                               \
    }
#define HEALTH_ROW(name)                                                                 \
    {                                                                                    \
        name##_part_begin, name##_part_feed, name##_part_end, name##_part_release        \
    }

HEALTH_PART(levels)
HEALTH_PART(pairs)
HEALTH_PART(traces)
HEALTH_PART(breaks)

/* In the order of their ends. */
static const struct part parts[] = {
    HEALTH_ROW(levels), HEALTH_ROW(pairs), HEALTH_ROW(traces), HEALTH_ROW(breaks), {0},
};

void health_warn(struct health *health, const char *code, int channel, const char *format,
                 ...)
{
    if (health->warning_count == HEALTH_MAX_WARNINGS)
        return;
    struct health_warning *warning = &health->warnings[health->warning_count++];
    warning->code = code;
    warning->channel = channel;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(warning->message, sizeof warning->message, format, arguments);
    va_end(arguments);
}

/* What nobody fills in is not known. */
static void begin_report(const struct capture_format *format, struct health *ret)
{
    *ret = (struct health){.channel_count = format->channels};
    for (int c = 0; c < format->channels; c++)
        ret->channels[c] = (struct health_channel){
            .bits_in_use = -1,
            .clipping_level = NAN,
            .intersample_peak = NAN,
            .delay_frames = NAN,
            .tone_hz = NAN,
            .clock_offset_ppm = NAN,
        };
}

static bool feed_parts(void *const *state, const struct health_block *block,
                       struct problem *problem)
{
    for (int i = 0; parts[i].begin; i++)
        if (!parts[i].feed(state[i], block, problem))
            return false;
    return true;
}

/* Reads from the first frame to the last and shows each block to all parts. */
static bool read_all(const struct health_subject *subject, void *const *state,
                     double *samples, int64_t *ret_frames, struct problem *problem)
{
    struct capture *capture = subject->capture;
    int64_t expected = subject->format->frames;
    struct health_block block = {.channels = subject->format->channels};
    for (int c = 0; c < block.channels; c++)
        block.samples[c] = samples + (ptrdiff_t)c * BLOCK_FRAMES;
    if (!capture_seek(capture, 0, problem))
        return false;
    do {
        if (!capture_fetch(capture, BLOCK_FRAMES, &block.count, problem))
            return false;
        for (int c = 0; c < block.channels; c++)
            capture_channel(capture, c, 0, block.count,
                            samples + (ptrdiff_t)c * BLOCK_FRAMES);
        if (block.count > 0 && !feed_parts(state, &block, problem))
            return false;
        block.first_frame += block.count;
        if (expected > 0)
            progress_tell(subject->request->progress, (1 - second_looks) *
                                                          (double)block.first_frame /
                                                          (double)expected);
    } while (block.count == BLOCK_FRAMES);
    *ret_frames = block.first_frame;
    return true;
}

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to look at the recording; try again.");
}

bool health_take(struct capture *capture, const struct health_request *request,
                 struct health *ret, struct problem *problem)
{
    const struct capture_format *format = capture_format(capture);
    const struct health_subject subject = {capture, format, request};
    void *state[PARTS_MAX] = {NULL};
    bool good = false;
    double *samples = aligned_alloc(ALIGNMENT, sizeof *samples * BLOCK_FRAMES *
                                                   (size_t)format->channels);
    begin_report(format, ret);
    if (!samples) {
        no_memory(problem);
        goto out;
    }
    for (int i = 0; parts[i].begin; i++) {
        state[i] = parts[i].begin(&subject, problem);
        if (!state[i])
            goto out;
    }
    capture_verify(capture);
    if (!read_all(&subject, state, samples, &ret->frames, problem))
        goto out;
    if (ret->frames == 0) {
        problem_set(problem, PROBLEM_NO_AUDIO, NULL,
                    "Not one frame of audio can be read; record again.");
        goto out;
    }
    for (int c = 0; c < ret->channel_count; c++)
        ret->channels[c].clean = (struct health_span){0, ret->frames};
    good = true;
    for (int i = 0; good && parts[i].begin; i++)
        good = parts[i].end(state[i], ret, problem);
    progress_tell(request->progress, 1);
out:
    for (int i = 0; parts[i].begin; i++)
        if (state[i])
            parts[i].release(state[i]);
    free(samples);
    return good;
}
