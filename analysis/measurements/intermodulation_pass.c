#include "analysis/measurements/intermodulation_pass.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lobe_fit.h"
#include "analysis/measurements/passes.h"

double intermodulation_pass_bin_hz(const struct intermodulation_channel *channel)
{
    return (double)channel->sample_rate_hz / channel->plan.length;
}

/* Segments of the final length over the whole steady part, and all that the pass needs.
 */
static bool plan_pass(struct intermodulation_channel *channel, struct fft_cache *cache,
                      int length, struct problem *problem)
{
    channel->plan = segments_over(channel->channel, channel->span.first_frame,
                                  channel->span.frames, length, length / 2);
    for (int t = 0; t < 2; t++) {
        channel->bins[t] = channel->pair.cycles[t] * length;
        if (!tone_track_new((int)channel->plan.count, length / 2, &channel->track[t],
                            problem))
            return false;
    }
    return fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window,
                      problem) &&
           spectrum_new(length, 0, &channel->spectrum, problem);
}

static bool without_pair(struct intermodulation_channel *channel, enum reason reason)
{
    channel->has_pair = false;
    channel->reason = reason;
    return true;
}

bool intermodulation_pass_prepare(const struct course_job *job,
                                  const struct course_part *part, void *state,
                                  bool *ret_ready, struct problem *problem)
{
    struct intermodulation_channel *channel = state;
    const struct intermodulation_request *request = job->request;
    const double any_tone_hz = 1e9;
    struct intermodulation_pair *pair = &channel->pair;
    int rate = capture_format(job->input->capture)->sample_rate_hz;
    channel->channel = part->channel;
    channel->span = part->steady;
    channel->sample_rate_hz = rate;
    if (channel->span.silent)
        return without_pair(channel, REASON_DIGITAL_SILENCE);
    double lowest_hz = any_tone_hz;
    if (request->told)
        lowest_hz = fmin(request->frequency_hz[0],
                         request->frequency_hz[1] - request->frequency_hz[0]);
    struct tone_search search = {
        .channel = channel->channel,
        .span = channel->span,
        .sample_rate_hz = rate,
        .length = segments_length(channel->span.frames, rate, lowest_hz),
    };
    if (search.length == 0)
        return without_pair(channel, REASON_NOT_ENOUGH_DATA);
    if (!intermodulation_pair_find(job->input->capture, &search, request,
                                   job->input->cache, pair, problem))
        return false;
    if (pair->fault != PAIR_FOUND)
        return without_pair(channel, REASON_NOT_DETERMINABLE);
    /* Products lie as far apart as the lower tone or the tones' difference, at least. */
    lowest_hz = fmin(pair->hz[0], pair->hz[1] - pair->hz[0]);
    int length = segments_length(channel->span.frames, rate, lowest_hz);
    if (length == 0)
        return without_pair(channel, REASON_NOT_ENOUGH_DATA);
    channel->has_pair = true;
    *ret_ready = true;
    return plan_pass(channel, job->input->cache, length, problem);
}

/* A segment in which nothing like a tone is left says nothing about its frequency. */
static void follow_tones(struct intermodulation_channel *channel, const double *transform)
{
    const double most_misfit = 0.5;
    for (int t = 0; t < 2; t++) {
        struct lobe_fit fit = lobe_fit(channel->window, transform, channel->bins[t]);
        struct tone_fit tone = lobe_fit_tone(&fit, channel->plan.length);
        if (fit.misfit < most_misfit)
            channel->bins[t] = fit.bin;
        tone_track_add(&channel->track[t], &tone);
    }
}

static double lobe_power(const struct intermodulation_channel *channel,
                         const double *powers, double bin)
{
    struct bins whole = {0, channel->plan.length / 2};
    return spectrum_sum(powers, bins_within(bins_lobe(bin), whole));
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct passes *pass = context;
    struct intermodulation_channel *channel = pass->channels[plan];
    (void)index;
    fft_put_windowed(pass->buffer, channel->window, samples, channel->span.dc);
    if (!spectrum_take(pass->cache, channel->window, pass->buffer, pass->powers,
                       &channel->spectrum, problem))
        return false;
    follow_tones(channel, pass->buffer);
    double upper = lobe_power(channel, pass->powers, channel->bins[1]);
    moments_add(&channel->tone[0], lobe_power(channel, pass->powers, channel->bins[0]),
                upper);
    moments_add(&channel->tone[1], upper, upper);
    for (int i = 0; i < INTERMODULATION_PRODUCTS; i++) {
        double bin = intermodulation_products_bin(&intermodulation_products[i],
                                                  channel->bins, channel->plan.length);
        moments_add(&channel->product[i], lobe_power(channel, pass->powers, bin), upper);
    }
    return true;
}

bool intermodulation_pass_run(const struct course_job *job, void *states, int count,
                              const struct progress *progress, struct problem *problem)
{
    struct intermodulation_channel *channels = states;
    struct passes passes = {.cache = job->input->cache};
    for (int c = 0; c < count; c++)
        if (channels[c].has_pair)
            passes_add(&passes, &channels[c].plan, &channels[c], &channels[c].spectrum);
    return passes_run(&passes, job->input->capture, take_segment, progress, problem);
}

void intermodulation_pass_free(void *state)
{
    struct intermodulation_channel *channel = state;
    for (int t = 0; t < 2; t++)
        tone_track_free(&channel->track[t]);
    spectrum_free(&channel->spectrum);
}
