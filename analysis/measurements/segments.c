#include "analysis/measurements/segments.h"

#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/fft.h"
#include "analysis/dsp/window.h"

enum { READ_FRAMES = CAPTURE_BLOCK_FRAMES, FEWEST_SEGMENTS = 8 };

int segments_length(int64_t frames, int sample_rate_hz, double lowest_hz)
{
    const double finest_hz = 0.65, coarsest_hz = 3;
    int64_t length = 2;
    while (2 * length * (FEWEST_SEGMENTS + 1) / 2 <= frames &&
           sample_rate_hz / (2.0 * (double)length) >= finest_hz)
        length *= 2;
    while (sample_rate_hz / (double)length > coarsest_hz ||
           3 * WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS * sample_rate_hz / (double)length >
               lowest_hz)
        length *= 2;
    return length <= frames && length <= (1 << FFT_MAX_LOG2) ? (int)length : 0;
}

struct segment_plan segments_over(int channel, int64_t first_frame, int64_t frames,
                                  int length, int hop)
{
    return (struct segment_plan){channel, first_frame, length, hop,
                                 (frames - length) / hop + 1};
}

struct feeder {
    const struct segment_plan *plan;
    double *samples; /* [length + hop]: moved back every second segment only */
    int first, held; /* the segment being collected, and how much of it there is */
    int64_t next;    /* index of the segment being collected */
};

struct feed {
    bool (*tell)(int, int64_t, const double *, void *, struct problem *);
    void *context;
    const struct capture *capture;
};

/* Takes what one channel wants of the block that was fetched, from `start`. */
static bool take(const struct feed *feed, int index, struct feeder *feeder, int64_t start,
                 int64_t frames, struct problem *problem)
{
    const struct segment_plan *plan = feeder->plan;
    int64_t from = plan->first_frame > start ? plan->first_frame - start : 0;
    for (int64_t i = from; i < frames && feeder->next < plan->count;) {
        int64_t want = plan->length - feeder->held;
        int64_t count = want < frames - i ? want : frames - i;
        capture_channel(feed->capture, plan->channel, (int)i, (int)count,
                        feeder->samples + feeder->first + feeder->held);
        feeder->held += (int)count;
        i += count;
        if (feeder->held < plan->length)
            break;
        if (!feed->tell(index, feeder->next, feeder->samples + feeder->first,
                        feed->context, problem))
            return false;
        feeder->next++;
        feeder->held = plan->length - plan->hop;
        feeder->first += plan->hop;
        if (feeder->first > plan->hop) {
            memmove(feeder->samples, feeder->samples + feeder->first,
                    (size_t)feeder->held * sizeof(double));
            feeder->first = 0;
        }
    }
    return true;
}

static bool pour(struct capture *capture, const struct feed *feed, struct feeder *feeders,
                 int count, const struct progress *progress, struct problem *problem)
{
    int64_t first = INT64_MAX, last = 0;
    for (int i = 0; i < count; i++) {
        const struct segment_plan *plan = feeders[i].plan;
        int64_t end = plan->first_frame + (plan->count - 1) * plan->hop + plan->length;
        first = plan->first_frame < first ? plan->first_frame : first;
        last = end > last ? end : last;
    }
    bool done = capture_seek(capture, first, problem);
    for (int64_t at = first; done && at < last;) {
        int want = last - at < READ_FRAMES ? (int)(last - at) : READ_FRAMES, got = 0;
        done = capture_fetch(capture, want, &got, problem);
        for (int i = 0; done && i < count; i++)
            done = take(feed, i, &feeders[i], at, got, problem);
        at += got;
        progress_tell(progress, (double)(at - first) / (double)(last - first));
        if (done && got < want)
            done = problem_set(problem, PROBLEM_IO, NULL,
                               "The recording ended at frame %lld on second reading.",
                               (long long)at);
    }
    return done;
}

bool segments_feed(struct capture *capture, const struct segment_plan *plans,
                   int plan_count,
                   bool (*tell)(int, int64_t, const double *, void *, struct problem *),
                   void *context, const struct progress *progress,
                   struct problem *problem)
{
    struct feeder feeders[CAPTURE_MAX_CHANNELS] = {0};
    struct feed feed = {tell, context, capture};
    bool done = true;
    for (int i = 0; i < plan_count && done; i++) {
        feeders[i].plan = &plans[i];
        feeders[i].samples =
            malloc(((size_t)plans[i].length + (size_t)plans[i].hop) * sizeof(double));
        if (!feeders[i].samples)
            done = problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                               "No memory for a segment of %d samples.", plans[i].length);
    }
    done = done && pour(capture, &feed, feeders, plan_count, progress, problem);
    for (int i = 0; i < plan_count; i++)
        free(feeders[i].samples);
    return done;
}
