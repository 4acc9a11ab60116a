#include "analysis/measurements/distortion_pass.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/weighting.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/tone_search.h"

static const double search_share = 0.01; /* a given frequency is sought within ±1 % */

/* Looks for the tone in the first segment of `length` samples; channel->cycles 0: there
 * is none. */
static bool look(struct capture *capture, const struct distortion_request *request,
                 struct fft_cache *cache, struct distortion_channel *channel, int length,
                 struct problem *problem)
{
    double bin_hz = (double)channel->sample_rate_hz / length;
    struct tone_search search = {.channel = channel->channel,
                                 .span = channel->span,
                                 .sample_rate_hz = channel->sample_rate_hz,
                                 .length = length,
                                 .low_hz = request->band_hz[0],
                                 .high_hz = request->band_hz[1],
                                 .most = 1};
    struct tone_fit tone;
    int found = 0;
    if (request->frequency_hz > 0) {
        double reach = fmax(search_share * request->frequency_hz, 3 * bin_hz);
        search.low_hz = request->frequency_hz - reach;
        search.high_hz = request->frequency_hz + reach;
    }
    if (!tone_search_find(capture, &search, cache, &tone, &found, problem))
        return false;
    channel->cycles = found > 0 ? tone.cycles : 0;
    return true;
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
    channel->plan = segments_over(channel->channel, channel->span.first_frame,
                                  channel->span.frames, length, length / 2);
    if (!fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window, problem))
        return false;
    double bin_hz = distortion_bin_hz(channel), tone_bins = channel->cycles * length;
    channel->band =
        bins_of_band(request->band_hz[0], request->band_hz[1], bin_hz, length);
    channel->out_of_band = figures_out_of_band(channel->sample_rate_hz, length);
    if (!make_weights(channel, request, channel->cycles * channel->sample_rate_hz,
                      problem) ||
        !tone_bands_new(length, 0.9 * tone_bins, request->harmonics, &channel->bands,
                        problem) ||
        !tone_track_new((int)channel->plan.count, length / 2, &channel->track, problem) ||
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

bool distortion_pass_prepare(const struct course_job *job, const struct course_part *part,
                             void *state, bool *ret_ready, struct problem *problem)
{
    struct distortion_channel *channel = state;
    const struct distortion_request *request = job->request;
    const double any_tone_hz = 1e9;
    channel->channel = part->channel;
    channel->span = part->steady;
    channel->sample_rate_hz = capture_format(job->input->capture)->sample_rate_hz;
    if (channel->span.silent)
        return without_tone(channel, REASON_DIGITAL_SILENCE);
    int length =
        segments_length(channel->span.frames, channel->sample_rate_hz, any_tone_hz);
    if (length == 0)
        return without_tone(channel, REASON_NOT_ENOUGH_DATA);
    if (!look(job->input->capture, request, job->input->cache, channel, length, problem))
        return false;
    if (channel->cycles == 0)
        return without_tone(channel, REASON_NOT_DETERMINABLE);
    length = segments_length(channel->span.frames, channel->sample_rate_hz,
                             channel->cycles * channel->sample_rate_hz);
    if (length == 0)
        return without_tone(channel, REASON_NOT_ENOUGH_DATA);
    channel->has_tone = true;
    *ret_ready = true;
    return plan_pass(channel, request, job->input->cache, length, problem);
}
