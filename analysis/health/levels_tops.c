#include "analysis/health/levels_tops.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/capture/excerpt.h"
#include "analysis/dsp/fft.h"
#include "analysis/dsp/lines.h"
#include "analysis/dsp/tone_fit.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    SHORTEST = 1 << 12,
    LONGEST = 1 << 17,
    STEPS = 4,
};

static const double alike = 1.25; /* levels of one stretch: a factor of mean squares */
static const double unit_s = 0.05, look_s = 0.6;
static const double most_crest = 1.5; /* of a sine √2; noise and many tones have more */

static void end_unit(struct levels_tops *tops)
{
    double mean = tops->sum / tops->count;
    double level = fmax(tops->sum_squares / tops->count - mean * mean, 0);
    struct levels_tops_stretch *now = &tops->now, *loudest = &tops->loudest;
    if (now->frames > 0 && level <= alike * now->mean_square &&
        level >= now->mean_square / alike)
        now->frames += tops->count;
    else
        *now =
            (struct levels_tops_stretch){tops->frames - tops->count, tops->count, level};
    if (now->mean_square > alike * loudest->mean_square ||
        (now->mean_square >= loudest->mean_square / alike &&
         now->frames > loudest->frames))
        *loudest = *now;
    tops->count = 0;
    tops->sum = tops->sum_squares = 0;
}

void levels_tops_feed(struct levels_tops *tops, int sample_rate_hz, int count, double sum,
                      double sum_squares)
{
    tops->frames += count;
    tops->count += count;
    tops->sum += sum;
    tops->sum_squares += sum_squares;
    if (tops->count >= unit_s * sample_rate_hz)
        end_unit(tops);
}

/* How much is read again; 0: too little there is. */
static int look_length(const struct levels_tops_stretch *stretch, int sample_rate_hz)
{
    int length = SHORTEST;
    if (stretch->frames < length)
        return 0;
    while (2 * length <= LONGEST && 2 * length <= stretch->frames &&
           length < look_s * sample_rate_hz)
        length *= 2;
    return length;
}

static bool read_again(struct capture *capture, int64_t first, int c, int length,
                       double *samples, struct problem *problem)
{
    const struct excerpt excerpt = {c, first, length};
    int got;
    if (!excerpt_read(capture, &excerpt, samples, &got, problem))
        return false;
    return got == length ||
           problem_set(problem, PROBLEM_IO, NULL,
                       "The recording ends at frame %lld, where it went on when it was "
                       "read before; upload it again.",
                       (long long)(first + got));
}

/* Whether it can be a tone, clipped or not, at all. */
static bool is_compact(double *samples, int length)
{
    struct kernels_levels levels;
    kernels_levels(samples, length, &levels);
    double mean = levels.sum / length;
    double rms = sqrt(fmax(levels.sum_squares / length - mean * mean, 0));
    return (levels.maximum - levels.minimum) / 2 <= most_crest * rms;
}

/* The strongest line; *ret->cycles 0: none. buffer, scratch: room for `length`. */
static bool fit_tone(const struct health_subject *subject, const double *samples,
                     int length, double *buffer, double *scratch, struct tone_fit *ret,
                     struct problem *problem)
{
    struct fft_cache *cache = subject->request->cache;
    struct tone_fit_segment segment = {samples, kernels_sum(samples, length) / length,
                                       NULL};
    const struct kernels_powers powers = {.scale = 1, .powers = scratch};
    if (!fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &segment.window, problem))
        return false;
    for (int n = 0; n < length; n += KERNELS_BLOCK) {
        double windowed[KERNELS_BLOCK];
        kernels_window(samples + n, segment.window->values + n, 1, segment.dc, windowed);
        fft_put(buffer, length, n, windowed, KERNELS_BLOCK);
    }
    if (!fft_forward(cache, length, buffer, &powers, problem))
        return false;
    int peak = LOBE + 1;
    for (int j = LOBE + 2; j < length / 2 - LOBE; j++)
        if (scratch[j] > scratch[peak])
            peak = j;
    double start = lines_interpolate(scratch, peak) / length;
    *ret = tone_fit_segment(&segment, start, STEPS, NULL);
    return true;
}

bool levels_tops_look(const struct levels_tops *tops,
                      const struct health_subject *subject, int c,
                      struct levels_period_tops *ret, struct problem *problem)
{
    const struct levels_tops_stretch *stretch = &tops->loudest;
    int length = look_length(stretch, subject->format->sample_rate_hz);
    int64_t first = stretch->first_frame + (stretch->frames - length) / 2;
    bool good = false;
    struct levels_period_tops found = {0};
    struct tone_fit fit;
    *ret = found;
    if (length == 0)
        return true;
    double *samples = malloc(sizeof *samples * (size_t)length),
           *scratch = malloc(sizeof *scratch * ((size_t)length / 2 + 1)),
           *buffer = fft_buffer_new(length);
    if (!samples || !scratch || !buffer) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory for a second look at %d frames.", length);
        goto out;
    }
    if (!read_again(subject->capture, first, c, length, samples, problem))
        goto out;
    if (is_compact(samples, length)) {
        if (!fit_tone(subject, samples, length, buffer, scratch, &fit, problem))
            goto out;
        if (levels_period_is_clipped(samples, length, &fit, &found)) {
            found.samples =
                llround((double)found.samples / length * (double)stretch->frames);
            *ret = found;
        }
    }
    good = true;
out:
    fft_buffer_free(buffer);
    free(scratch);
    free(samples);
    return good;
}
