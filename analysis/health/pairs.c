#include "analysis/health/pairs.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/scan.h"
#include "analysis/health/pairs_delay.h"

enum {
    CHANNELS = CAPTURE_MAX_CHANNELS,
    UNITS = 256,
    SIGNAL_FRAMES = 4096, /* rendered at a time */
    FEWEST_STEPS = 64,
};

static const double loud = 0.25; /* of the loudest unit's power: worth a look */
static const double float_step = 0x1p-23;
static const double signal_s = 1; /* of the signal are compared */

struct pairs {
    struct health_subject subject;
    double step; /* of the format */
    /* of channels c and r < c, up to now */
    bool same[CHANNELS][CHANNELS], opposed[CHANNELS][CHANNELS];
    /* Channel 1's power over time, in units that double when there are too many */
    int64_t frames, unit_frames;
    int unit_count;
    double power[UNITS];
};

struct pairs *pairs_new(const struct health_subject *subject, struct problem *problem)
{
    struct pairs *pairs = calloc(1, sizeof *pairs);
    if (!pairs) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to compare the channels; try again.");
        return NULL;
    }
    pairs->subject = *subject;
    int bits = capture_pcm_bits(subject->format);
    pairs->step = bits > 0 ? ldexp(1, 1 - bits) : float_step;
    memset(pairs->same, true, sizeof pairs->same);
    memset(pairs->opposed, true, sizeof pairs->opposed);
    pairs->unit_frames = CAPTURE_BLOCK_FRAMES;
    return pairs;
}

void pairs_free(struct pairs *pairs)
{
    free(pairs);
}

static void note_power(struct pairs *pairs, const double *samples, int count)
{
    int unit = (int)(pairs->frames / pairs->unit_frames);
    if (unit == UNITS) {
        for (int i = 0; i < UNITS / 2; i++)
            pairs->power[i] = pairs->power[2 * i] + pairs->power[2 * i + 1];
        memset(pairs->power + UNITS / 2, 0, sizeof pairs->power / 2);
        pairs->unit_frames *= 2;
        unit /= 2;
    }
    pairs->power[unit] += kernels_weighted_sum(samples, samples, count);
    pairs->unit_count = unit + 1;
    pairs->frames += count;
}

bool pairs_feed(struct pairs *pairs, const struct health_block *block,
                struct problem *problem)
{
    (void)problem;
    size_t bytes = sizeof(double) * (size_t)block->count;
    for (int c = 1; c < block->channels; c++)
        for (int r = 0; r < c; r++) {
            const double *one = block->samples[r], *other = block->samples[c];
            if (pairs->same[c][r])
                pairs->same[c][r] = memcmp(one, other, bytes) == 0;
            if (pairs->opposed[c][r])
                pairs->opposed[c][r] =
                    scan_largest_sum(one, other, block->count) <= pairs->step;
        }
    if (block->channels > 1)
        note_power(pairs, block->samples[0], block->count);
    return true;
}

/* Up to PAIRS_DELAY_PIECES of the loud units, spread over time: a sweep is met at several
 * of its frequencies. */
static struct pairs_delay_places loud_places(const struct pairs *pairs)
{
    struct pairs_delay_places places = {.frames = pairs->frames};
    double most = 0;
    int count = 0, found[UNITS];
    for (int i = 0; i < pairs->unit_count; i++)
        most = fmax(most, pairs->power[i]);
    for (int i = 0; i < pairs->unit_count; i++)
        if (pairs->power[i] >= loud * most)
            found[count++] = i;
    for (int i = 0; i < PAIRS_DELAY_PIECES && i < count; i++) {
        int pieces = count < PAIRS_DELAY_PIECES ? count : PAIRS_DELAY_PIECES;
        int unit = found[(2 * i + 1) * count / (2 * pieces)];
        places.middles[places.count++] =
            unit * pairs->unit_frames + pairs->unit_frames / 2;
    }
    return places;
}

/* Whether what is said to have been played is the same in both channels; beyond its last
 * channel nothing is known but that a single one is often played through all. */
static bool signal_is_same(const struct health_request *request, int one, int other,
                           bool *ret, struct problem *problem)
{
    struct signal_stream *stream = NULL;
    struct problem refused = {0};
    int32_t *frames = NULL;
    bool good = false;
    *ret = false;
    if (!request->signal)
        return true;
    struct signal_form form = signal_form(request->parameters);
    if (one >= form.channels || other >= form.channels) {
        *ret = form.channels == 1;
        return true;
    }
    frames = malloc(sizeof *frames * SIGNAL_FRAMES * (size_t)form.channels);
    if (!frames) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to compare the signal; try again.");
        goto out;
    }
    if (!request->signal->begin(request->parameters, &stream, &refused)) {
        /* Parameters that clash tell of no signal. */
        good = refused.kind == PROBLEM_OUT_OF_RANGE ||
               problem_set(problem, refused.kind, NULL, "%s", refused.detail);
        goto out;
    }
    bool same = true;
    int64_t left = llround(signal_s * form.sample_rate_hz);
    left = left < form.frames ? left : form.frames;
    while (same && left > 0) {
        int64_t count = left < SIGNAL_FRAMES ? left : SIGNAL_FRAMES;
        request->signal->next(stream, frames, count);
        for (int64_t n = 0; n < count; n++)
            same = same &&
                   frames[n * form.channels + one] == frames[n * form.channels + other];
        left -= count;
    }
    *ret = same;
    good = true;
out:
    if (stream)
        request->signal->end(stream);
    free(frames);
    return good;
}

/* Of each channel only the first that is like it is named. */
static bool tell_identical(const struct pairs *pairs, int c, struct health *health,
                           struct problem *problem)
{
    for (int r = 0; r < c; r++) {
        bool meant = false;
        if (!pairs->same[c][r] || health->channels[c].silent)
            continue;
        if (!signal_is_same(pairs->subject.request, r, c, &meant, problem))
            return false;
        if (!meant)
            health_warn(health, "channels_identical", c + 1,
                        "Channels %d and %d are the same in every bit of all %lld "
                        "frames; two converters never give that. One input was copied to "
                        "both: check the recorder's routing and mono switches. What is "
                        "said of channel %d is said of channel %d.",
                        r + 1, c + 1, (long long)pairs->frames, c + 1, r + 1);
        return true;
    }
    return true;
}

static void warn_inverted(struct health *health, int r, int c)
{
    health_warn(health, "polarity_inverted", c + 1,
                "Channel %d is channel %d turned over (what goes up in one goes down in "
                "the other): a balanced line or an adapter has its wires swapped, or a "
                "polarity switch is on. Levels and distortion are right; summed to mono, "
                "the channels cancel.",
                c + 1, r + 1);
}

static bool is_opposed(const struct pairs *pairs, int r, int c,
                       const struct health *health)
{
    return pairs->opposed[c][r] && !health->channels[c].silent &&
           health->channels[c].peak >= FEWEST_STEPS * pairs->step;
}

static bool compare(const struct pairs *pairs, struct health *health,
                    struct problem *problem)
{
    struct pairs_delay delays[CHANNELS];
    struct pairs_delay_places places = loud_places(pairs);
    if (!pairs_delay_find(&pairs->subject, &places, delays, problem))
        return false;
    for (int c = 1; c < health->channel_count; c++) {
        int opposed = 0;
        while (opposed < c && !is_opposed(pairs, opposed, c, health))
            opposed++;
        if (opposed < c)
            warn_inverted(health, opposed, c);
        else if (delays[c].inverted && !health->channels[c].silent)
            warn_inverted(health, 0, c);
        bool exact = pairs->same[c][0] || is_opposed(pairs, 0, c, health);
        if (!health->channels[0].silent && !health->channels[c].silent)
            health->channels[c].delay_frames = exact ? 0 : delays[c].frames;
        if (!tell_identical(pairs, c, health, problem))
            return false;
    }
    return true;
}

bool pairs_end(struct pairs *pairs, struct health *health, struct problem *problem)
{
    for (int c = 0; c < health->channel_count; c++)
        health->channels[c].delay_frames = NAN;
    if (!health->channels[0].silent)
        health->channels[0].delay_frames = 0;
    return health->channel_count < 2 || pairs->frames == 0 ||
           compare(pairs, health, problem);
}
