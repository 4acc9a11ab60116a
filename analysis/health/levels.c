#include "analysis/health/levels.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/health/levels_parts.h"
#include "analysis/health/levels_warn.h"

enum { PIECE = 256 };

struct levels {
    struct health_subject subject;
    int bits;      /* of PCM; 0: floats */
    double finest; /* step of PCM; 0: floats */
    int64_t frames;
    struct levels_between_table between;
    struct levels_channel channels[]; /* of the capture */
};

struct levels *levels_new(const struct health_subject *subject, struct problem *problem)
{
    int count = subject->format->channels;
    struct levels *levels =
        calloc(1, sizeof *levels + sizeof levels->channels[0] * (size_t)count);
    if (!levels) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to look at the levels; try again.");
        return NULL;
    }
    levels->subject = *subject;
    levels->bits = capture_pcm_bits(subject->format);
    levels->finest = levels->bits > 0 ? ldexp(1, 1 - levels->bits) : 0;
    levels_between_table_fill(&levels->between);
    for (int c = 0; c < count; c++) {
        struct levels_channel *channel = &levels->channels[c];
        channel->maximum = -INFINITY;
        channel->top.level = channel->bottom.level = -INFINITY;
        channel->minimum = INFINITY;
        channel->written.integers = true;
    }
    return levels;
}

void levels_free(struct levels *levels)
{
    free(levels);
}

static void reach(struct levels_flat *flat, double level)
{
    *flat = (struct levels_flat){.level = level};
}

/* Sums, extremes and how often these are met; hits[0] of the top, hits[1] of the bottom,
 * counted anew from where a new one is reached. */
static void sum_piece(struct levels *levels, struct levels_channel *channel,
                      const double *samples, int count, int64_t hits[2])
{
    struct scan_levels sums;
    scan_levels(samples, count, channel->top.level, -channel->bottom.level, &sums);
    if (sums.maximum > channel->top.level || -sums.minimum > channel->bottom.level) {
        if (sums.maximum > channel->top.level) {
            reach(&channel->top, sums.maximum);
            hits[0] = 0;
        }
        if (-sums.minimum > channel->bottom.level) {
            reach(&channel->bottom, -sums.minimum);
            hits[1] = 0;
        }
        scan_levels(samples, count, channel->top.level, -channel->bottom.level, &sums);
    }
    hits[0] += sums.at_top;
    hits[1] += sums.at_bottom;
    channel->sum += sums.sum;
    channel->sum_squares += sums.sum_squares;
    channel->minimum = fmin(channel->minimum, sums.minimum);
    channel->maximum = fmax(channel->maximum, sums.maximum);
    if (levels->bits == 0 && (sums.maximum > 1 || sums.minimum < -1))
        channel->over_full_scale += scan_count(samples, count, nextafter(1, 2)) + count -
                                    scan_count(samples, count, -1);
    const struct levels_mute_piece piece = {samples,      count,    sums.minimum,
                                            sums.maximum, sums.sum, sums.sum_squares};
    levels_mute_feed(&channel->mute, levels->subject.format->sample_rate_hz, &piece);
}

static void feed_channel(struct levels *levels, struct levels_channel *channel,
                         const double *samples, int count)
{
    int64_t hits[2] = {0};
    double sum = channel->sum, sum_squares = channel->sum_squares;
    for (int n = 0; n < count; n += PIECE)
        sum_piece(levels, channel, samples + n, count - n < PIECE ? count - n : PIECE,
                  hits);
    levels_tops_feed(&channel->tops, levels->subject.format->sample_rate_hz, count,
                     channel->sum - sum, channel->sum_squares - sum_squares);
    struct levels_flat_piece piece = {
        .samples = samples,
        .count = count,
        .amplitude = (channel->maximum - channel->minimum) / 2,
        .finest = levels->finest,
    };
    piece.sign = 1;
    piece.hits = hits[0];
    channel->top.samples += hits[0];
    levels_flat_look(&channel->top, &piece);
    piece.sign = -1;
    piece.hits = hits[1];
    channel->bottom.samples += hits[1];
    levels_flat_look(&channel->bottom, &piece);
    levels_written_feed(&channel->written, levels->bits, samples, count);
    levels_between_feed(&channel->between, &levels->between, samples, count,
                        fmax(channel->maximum, -channel->minimum));
}

bool levels_feed(struct levels *levels, const struct health_block *block,
                 struct problem *problem)
{
    (void)problem;
    for (int c = 0; c < block->channels; c++)
        feed_channel(levels, &levels->channels[c], block->samples[c], block->count);
    levels->frames += block->count;
    return true;
}

static void report_clipping(const struct levels *levels,
                            const struct levels_channel *channel,
                            struct health_channel *ret)
{
    const struct levels_flat *sides[2] = {&channel->top, &channel->bottom};
    for (int i = 0; i < 2; i++) {
        /* The last positive step of PCM is one short of 1. */
        double full_scale = i == 0 ? 1 - levels->finest : 1;
        if (ret->silent || !levels_flat_is_clipped(sides[i], full_scale))
            continue;
        double level = fabs(sides[i]->level);
        ret->clipping_level = ret->clipped ? fmax(ret->clipping_level, level) : level;
        ret->clipped = true;
        ret->clipped_samples += sides[i]->samples;
    }
}

/* What equal extremes do not show. */
static bool look_again(const struct levels *levels, int c, struct health_channel *ret,
                       struct problem *problem)
{
    struct levels_period_tops tops;
    if (ret->clipped || ret->silent)
        return true;
    if (!levels_tops_look(&levels->channels[c].tops, &levels->subject, c, &tops, problem))
        return false;
    ret->clipped = tops.samples > 0;
    if (ret->clipped) {
        ret->clipping_level = tops.level;
        ret->clipped_samples = tops.samples;
    }
    return true;
}

static void report(const struct levels *levels, const struct levels_channel *channel,
                   struct health_channel *ret)
{
    ret->peak = fmax(channel->maximum, -channel->minimum);
    ret->mean_square = channel->sum_squares / (double)levels->frames;
    ret->dc = channel->sum / (double)levels->frames;
    ret->silent = channel->minimum == channel->maximum;
    ret->bits_in_use = levels_written_bits(&channel->written, levels->bits);
    ret->over_full_scale = channel->over_full_scale;
    ret->intersample_peak =
        channel->between.peak > 0 ? fmax(channel->between.peak, ret->peak) : NAN;
    report_clipping(levels, channel, ret);
}

bool levels_end(struct levels *levels, struct health *health, struct problem *problem)
{
    if (levels->frames == 0)
        return true;
    for (int c = 0; c < health->channel_count; c++)
        report(levels, &levels->channels[c], &health->channels[c]);
    for (int c = 0; c < health->channel_count; c++)
        if (!look_again(levels, c, &health->channels[c], problem))
            return false;
    for (int c = 0; c < health->channel_count; c++) {
        const struct levels_channel *channel = &levels->channels[c];
        bool muted = false;
        int bits = health->channels[c].bits_in_use;
        double step = ldexp(1, bits > 0 ? 1 - bits : -23);
        if (!levels_mute_is_suspected(&channel->mute, step,
                                      levels->subject.request->cache, &muted, problem))
            return false;
        if (muted)
            levels_warn_mute(health, c, &channel->mute, levels->subject.format);
    }
    levels_warn(health, levels->channels, levels->bits, &levels->subject);
    return true;
}
