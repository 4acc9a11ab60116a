#include "analysis/health/traces.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/kernels.h"
#include "analysis/health/traces_images.h"
#include "analysis/health/traces_mains.h"
#include "analysis/health/traces_tone.h"

enum {
    SHORTEST = 1 << 10,
    LONGEST = 1 << 18, /* twice that where a bin would be coarser than 2 Hz */
    FEWEST_SEGMENTS = 6,
    PIECE = KERNELS_BLOCK, /* what is windowed and handed to the transform at a time */
};

struct channel {
    double *buffer;      /* the segment being collected, windowed, and its transform */
    double piece[PIECE]; /* samples that do not yet make up a whole one */
    int held;
    int filled;         /* of the segment, in whole pieces */
    double sum_squares; /* of its windowed samples */
    struct spectrum spectrum;
    struct traces_tone tone;
};

struct traces {
    const struct health_request *request; /* borrowed */
    struct fft_cache *cache;
    const struct window *window;
    int channels, length, sample_rate_hz;
    double *powers; /* of one segment */
    struct channel channel[];
};

static int segment_length(const struct capture_format *format)
{
    const double finest_hz = 0.65, coarsest_hz = 2;
    int length = SHORTEST;
    while (
        (2 * length <= LONGEST ||
         format->sample_rate_hz / (double)length > coarsest_hz) &&
        format->sample_rate_hz / (2.0 * length) >= finest_hz &&
        (format->frames < 0 || 2 * (int64_t)length * FEWEST_SEGMENTS <= format->frames))
        length *= 2;
    return length;
}

/* Of the tones that were played the one nearest to the one found; the first where none
 * was found; NaN: none is known. */
static double nominal_of(const struct health_request *request, double found_hz)
{
    double hz[SIGNAL_TONES], nearest = NAN;
    int count = 0;
    if (request->signal && request->parameters && request->signal->tones)
        count = request->signal->tones(request->parameters, hz);
    for (int i = 0; i < count; i++)
        if (i == 0 || fabs(hz[i] - found_hz) < fabs(nearest - found_hz))
            nearest = hz[i];
    return nearest;
}

static bool new_channel(struct traces *traces, struct channel *ret,
                        struct problem *problem)
{
    int length = traces->length;
    ret->buffer = fft_buffer_new(length);
    return (ret->buffer ||
            problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                        "No memory for a transform of %d samples.", length)) &&
           spectrum_new(length, traces_mains_scatter_bins(traces->sample_rate_hz, length),
                        &ret->spectrum, problem) &&
           traces_tone_new(length, &ret->tone, problem);
}

struct traces *traces_new(const struct health_subject *subject, struct problem *problem)
{
    const struct capture_format *format = subject->format;
    struct traces *traces =
        calloc(1, sizeof *traces + (size_t)format->channels * sizeof traces->channel[0]);
    bool done = traces != NULL;
    if (done) {
        traces->request = subject->request;
        traces->cache = subject->request->cache;
        traces->channels = format->channels;
        traces->length = segment_length(format);
        traces->sample_rate_hz = format->sample_rate_hz;
        traces->powers =
            malloc(((size_t)traces->length / 2 + 1) * sizeof *traces->powers);
        done = traces->powers != NULL;
    }
    if (!done)
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory for the spectra of %d channels.", format->channels);
    done = done && fft_window(traces->cache, WINDOW_BLACKMAN_HARRIS_7, traces->length,
                              &traces->window, problem);
    for (int c = 0; done && c < traces->channels; c++)
        done = new_channel(traces, &traces->channel[c], problem);
    if (!done) {
        traces_free(traces);
        return NULL;
    }
    return traces;
}

void traces_free(struct traces *traces)
{
    if (!traces)
        return;
    for (int c = 0; c < traces->channels; c++) {
        struct channel *channel = &traces->channel[c];
        fft_buffer_free(channel->buffer);
        spectrum_free(&channel->spectrum);
        traces_tone_free(&channel->tone);
    }
    free(traces->powers);
    free(traces);
}

/* The next PIECE samples of a segment. */
static bool take_piece(struct traces *traces, struct channel *channel,
                       const double *samples, struct problem *problem)
{
    const struct window *window = traces->window;
    double windowed[PIECE];
    int length = traces->length, first = channel->filled;
    bool falls = first >= length / 2; /* the half just read is still in cache */
    kernels_window(samples, window->values + (falls ? length - first : first),
                   falls ? -1 : 1, 0, windowed);
    fft_put(channel->buffer, length, first, windowed, PIECE);
    channel->sum_squares += kernels_weighted_sum(windowed, windowed, PIECE);
    channel->filled += PIECE;
    if (channel->filled < length)
        return true;
    if (!spectrum_take(traces->cache, window, channel->buffer, traces->powers,
                       &channel->spectrum, problem))
        return false;
    /* Parseval: the sum of all powers. */
    double mean_square = channel->sum_squares / window->sum_squares;
    traces_tone_follow(&channel->tone, window, channel->buffer, traces->powers,
                       mean_square);
    channel->filled = 0;
    channel->sum_squares = 0;
    return true;
}

static bool feed_channel(struct traces *traces, struct channel *channel,
                         const double *samples, int count, struct problem *problem)
{
    int at = 0;
    while (at < count) {
        if (channel->held == 0 && count - at >= PIECE) {
            if (!take_piece(traces, channel, samples + at, problem))
                return false;
            at += PIECE;
            continue;
        }
        int wanted = PIECE - channel->held;
        int taken = wanted < count - at ? wanted : count - at;
        memcpy(channel->piece + channel->held, samples + at,
               (size_t)taken * sizeof *samples);
        channel->held += taken;
        at += taken;
        if (channel->held < PIECE)
            continue;
        channel->held = 0;
        if (!take_piece(traces, channel, channel->piece, problem))
            return false;
    }
    return true;
}

bool traces_feed(struct traces *traces, const struct health_block *block,
                 struct problem *problem)
{
    for (int c = 0; c < traces->channels; c++)
        if (!feed_channel(traces, &traces->channel[c], block->samples[c], block->count,
                          problem))
            return false;
    return true;
}

/* A tone is there, and loud enough not to be a whistle of an idle channel, but no clock
 * is so far off. */
static void tell_wrong_signal(const struct traces_view *view, int c,
                              struct health *health)
{
    const double loud = 5e-7; /* mean square: −60 dBFS */
    double dc = health->channels[c].dc;
    if (health->channels[c].mean_square - dc * dc < loud)
        return;
    health_warn(health, "wrong_signal", c + 1,
                "Channel %d carries a tone of %.6g Hz, but %.6g Hz were played as the "
                "upload's signal tells. Correct the signal, or record what it says.",
                c + 1, health->channels[c].tone_hz, view->nominal_hz);
}

/* One clock plays all channels and one records them: told once, unless they differ. */
static void tell_clock(const struct traces_view *view, int c, struct health *health)
{
    const double farthest_ppm = 1000, least_ppm = 5, alike_ppm = 1;
    double hz = health->channels[c].tone_hz;
    double ppm = (hz / view->nominal_hz - 1) * 1e6, u95_ppm = view->tone.u95 * 1e6;
    if (fabs(ppm) > farthest_ppm)
        tell_wrong_signal(view, c, health);
    if (!(fabs(ppm) <= farthest_ppm))
        return;
    health->channels[c].clock_offset_ppm = ppm;
    if (!(fabs(ppm) >= least_ppm && fabs(ppm) > 2 * u95_ppm))
        return;
    for (int i = 0; i < c; i++)
        if (fabs(health->channels[i].clock_offset_ppm - ppm) <= alike_ppm)
            return;
    health_warn(health, "clock_offset", c == 0 ? 0 : c + 1,
                "Tone %.1f ppm %s nominal: %.6g Hz were played, %.9g Hz recorded. Player "
                "and recorder run on two clocks; figures here allow for that, but "
                "compare frequencies and delays only between devices on one clock.",
                fabs(ppm), ppm > 0 ? "above" : "below", view->nominal_hz, hz);
}

/* *ret_is_tone: what dominates the channel is the mains itself. */
static void tell_mains(const struct traces_view *view, int c, struct health *health,
                       bool *ret_is_tone)
{
    struct traces_mains mains;
    char against_tone[64] = "";
    *ret_is_tone = false;
    if (!traces_mains_find(view, &mains))
        return;
    *ret_is_tone = !mains.below_tone;
    if (mains.below_tone)
        snprintf(against_tone, sizeof against_tone, " (%.1f dB re the tone)",
                 decibel_from_power(mains.power / view->tone.power));
    health_warn(health, "mains_suspected", c + 1,
                "Mains: %d lines at multiples of %d Hz, together %.1f dBFS%s, the "
                "strongest at %.1f Hz. Feed player and recorder from one outlet strip or "
                "the player from its battery, keep cables short and away from "
                "transformers; never open a protective earth.",
                mains.lines, mains.base_hz, dbfs_from_mean_square(mains.power),
                against_tone, mains.frequency_hz * mains.strongest);
}

/* A resampler serves all channels: told once. */
static bool tell_images(const struct traces_view *view, bool *told, struct health *health,
                        struct problem *problem)
{
    struct traces_images images;
    bool found;
    if (*told)
        return true;
    if (!traces_images_find(view, &found, &images, problem))
        return false;
    if (!found)
        return true;
    *told = true;
    health_warn(
        health, "possible_resampler", 0,
        "The tone has image lines at %.0f and %.0f Hz (%.1f and %.1f dBc), as "
        "resampling from %d to %d Hz leaves them. Play and record at one rate, and "
        "switch off sample-rate conversion in the operating system and in the "
        "recording program.",
        images.hz[0], images.hz[1],
        decibel_from_power(images.power[0] / view->tone.power),
        decibel_from_power(images.power[1] / view->tone.power), images.source_rate_hz,
        images.target_rate_hz);
    return true;
}

static bool end_channel(struct traces *traces, int c, bool *resampled,
                        struct health *health, struct problem *problem)
{
    struct channel *channel = &traces->channel[c];
    struct traces_view view = {
        &channel->spectrum, traces->length, traces->sample_rate_hz, NAN, {.bin = NAN}};
    double bin_hz = traces->sample_rate_hz / (double)traces->length;
    bool is_mains = false;
    if (channel->spectrum.segments == 0)
        return true;
    spectrum_finish(&channel->spectrum);
    traces_tone_end(&channel->tone, &channel->spectrum, &view.tone);
    view.nominal_hz = nominal_of(traces->request, view.tone.bin * bin_hz);
    if (!tell_images(&view, resampled, health, problem))
        return false;
    if (!*resampled) /* images of high order may lie on multiples of 50 Hz */
        tell_mains(&view, c, health, &is_mains);
    if (isnan(view.tone.bin) || is_mains)
        return true;
    health->channels[c].tone_hz = view.tone.bin * bin_hz;
    tell_clock(&view, c, health);
    return true;
}

bool traces_end(struct traces *traces, struct health *health, struct problem *problem)
{
    bool resampled = false;
    for (int c = 0; c < traces->channels; c++)
        if (!end_channel(traces, c, &resampled, health, problem))
            return false;
    return true;
}
