#include "analysis/measurements/distortion_pass.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lines.h"
#include "analysis/dsp/weighting.h"

enum { SEARCH_STEPS = 12 };

static const double search_share = 0.01; /* a given frequency is sought within ±1 % */

struct coarse {
    const struct distortion_request *request;
    struct fft_cache *cache;
    struct distortion_channel *channel;
    double *buffer, *powers;
    bool found;
    double cycles;
};

static struct bins band_bins(double low_hz, double high_hz, double bin_hz, int length)
{
    struct bins whole = {1, length / 2};
    return bins_within(
        (struct bins){(int)ceil(low_hz / bin_hz), (int)floor(high_hz / bin_hz)}, whole);
}

static struct bins search_range(const struct coarse *coarse, int length)
{
    const struct distortion_request *request = coarse->request;
    double bin_hz = (double)coarse->channel->sample_rate_hz / length;
    double low = request->band_hz[0], high = request->band_hz[1];
    if (request->frequency_hz > 0) {
        double reach = fmax(search_share * request->frequency_hz, 3 * bin_hz);
        low = request->frequency_hz - reach;
        high = request->frequency_hz + reach;
    }
    return bins_within(band_bins(low, high, bin_hz, length),
                       (struct bins){WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
                                     length / 2 - WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS});
}

/* The strongest bin of the range, if noise would not reach it there. */
static int find_peak(const double *powers, int length, struct bins range)
{
    int peak = -1;
    for (int j = range.first; j <= range.last; j++)
        if (peak < 0 || powers[j] > powers[peak])
            peak = j;
    if (peak < 0 || powers[peak] <= 0)
        return -1;
    struct bins lobe = bins_lobe(peak);
    struct spectrum_surroundings around = {powers, length / 2 + 1, &lobe, 1, 64};
    double density = spectrum_density_beside(&around, lobe).mean;
    double threshold = statistics_line_threshold(1, bins_width(range));
    return powers[peak] > threshold * density ? peak : -1;
}

static bool look_at_segment(int plan, int64_t index, const double *samples, void *context,
                            struct problem *problem)
{
    struct coarse *coarse = context;
    struct distortion_channel *channel = coarse->channel;
    const struct window *window = channel->window;
    struct tone_fit_segment segment = {samples, channel->span.dc, window};
    int length = window->length;
    (void)plan;
    (void)index;
    for (int n = 0; n < length; n++)
        coarse->powers[n] = (samples[n] - channel->span.dc) * window->values[n];
    fft_put(coarse->buffer, length, 0, coarse->powers, length);
    if (!spectrum_take(coarse->cache, window, coarse->buffer, coarse->powers, NULL,
                       problem))
        return false;
    int peak = find_peak(coarse->powers, length, search_range(coarse, length));
    if (peak < 1)
        return true;
    double start = lines_interpolate(coarse->powers, peak) / length;
    struct tone_fit fit = tone_fit_segment(&segment, start, SEARCH_STEPS, NULL);
    coarse->found = true;
    coarse->cycles = fit.cycles;
    return true;
}

/* Looks for the tone in the first segment of `length` samples. */
static bool look(struct capture *capture, struct coarse *coarse, int length,
                 struct problem *problem)
{
    struct distortion_channel *channel = coarse->channel;
    struct segment_plan plan = {channel->channel, channel->span.first_frame, length,
                                length / 2, 1};
    if (!fft_window(coarse->cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window,
                    problem))
        return false;
    coarse->buffer = fft_buffer_new(length);
    coarse->powers = malloc((size_t)length * sizeof *coarse->powers);
    bool done = (coarse->buffer && coarse->powers) ||
                problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                            "No memory for a transform of %d samples.", length);
    done =
        done && segments_feed(capture, &plan, 1, look_at_segment, coarse, NULL, problem);
    fft_buffer_free(coarse->buffer);
    free(coarse->powers);
    return done;
}

/* |H|² of a second-order notch of this Q, 1 far from its centre. */
static double notch_power(double frequency_hz, double centre_hz, double q)
{
    double u = frequency_hz / centre_hz, stop = (1 - u * u) * (1 - u * u);
    return stop / (stop + u * u / (q * q));
}

static bool make_weights(struct distortion_channel *channel,
                         const struct distortion_request *request, double tone_hz,
                         struct problem *problem)
{
    int width = bins_width(channel->band);
    channel->a_weights = malloc((size_t)width * sizeof(double));
    if (request->notch_q > 0)
        channel->notch_weights = malloc((size_t)width * sizeof(double));
    if (!channel->a_weights || (request->notch_q > 0 && !channel->notch_weights))
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for the weights of %d bins.", width);
    for (int i = 0; i < width; i++) {
        double hz = (channel->band.first + i) * distortion_bin_hz(channel);
        channel->a_weights[i] = weighting_a_power(hz);
        if (channel->notch_weights)
            channel->notch_weights[i] = notch_power(hz, tone_hz, request->notch_q);
    }
    return true;
}

/* Segments of the final length over the whole steady part, and all that the pass needs.
 */
static bool plan_pass(struct distortion_channel *channel,
                      const struct distortion_request *request, struct fft_cache *cache,
                      int length, struct problem *problem)
{
    const double out_of_band_from_hz = 20000, out_of_band_share = 0.45;
    int64_t count = (channel->span.frames - length) / (length / 2) + 1;
    channel->plan = (struct segment_plan){channel->channel, channel->span.first_frame,
                                          length, length / 2, count};
    if (!fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window, problem))
        return false;
    double bin_hz = distortion_bin_hz(channel), tone_bins = channel->cycles * length;
    channel->band = band_bins(request->band_hz[0], request->band_hz[1], bin_hz, length);
    channel->out_of_band = band_bins(
        out_of_band_from_hz, out_of_band_share * channel->sample_rate_hz, bin_hz, length);
    if (!make_weights(channel, request, channel->cycles * channel->sample_rate_hz,
                      problem) ||
        !tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &channel->bands,
                        problem) ||
        !tone_track_new((int)count, length / 2, &channel->track, problem) ||
        !spectrum_new(length, channel->band.last + 1, &channel->spectrum, problem))
        return false;
    tone_bands_lay(&channel->bands, length, tone_bins, request->harmonics, 0);
    return true;
}

static bool without_tone(struct distortion_channel *channel, enum reason reason)
{
    channel->has_tone = false;
    channel->reason = reason;
    return true;
}

bool distortion_pass_prepare(struct capture *capture,
                             const struct distortion_request *request,
                             struct fft_cache *cache, struct distortion_channel *channel,
                             struct problem *problem)
{
    const double any_tone_hz = 1e9;
    struct coarse coarse = {.request = request, .cache = cache, .channel = channel};
    channel->sample_rate_hz = capture_format(capture)->sample_rate_hz;
    if (channel->span.silent)
        return without_tone(channel, REASON_DIGITAL_SILENCE);
    int length =
        segments_length(channel->span.frames, channel->sample_rate_hz, any_tone_hz);
    if (length == 0)
        return without_tone(channel, REASON_NOT_ENOUGH_DATA);
    if (!look(capture, &coarse, length, problem))
        return false;
    if (!coarse.found)
        return without_tone(channel, REASON_NOT_DETERMINABLE);
    channel->cycles = coarse.cycles;
    length = segments_length(channel->span.frames, channel->sample_rate_hz,
                             coarse.cycles * channel->sample_rate_hz);
    if (length == 0)
        return without_tone(channel, REASON_NOT_ENOUGH_DATA);
    channel->has_tone = true;
    return plan_pass(channel, request, cache, length, problem);
}
