#include "analysis/measurements/noise_pass.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/weighting.h"
#include "analysis/measurements/powers.h"
#include "analysis/measurements/figures.h"
#include "analysis/measurements/tone_search.h"

enum { CANDIDATES = 2 * MAINS_LINES + 1, LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS };

static const double tone_share = 0.01; /* a tone's band, and where a told one is sought */
static const double any_hz = 1e9;

/* The band of a tone: its main lobe with a little room for two clocks that part, or 1 %.
 */
static struct bins tone_bins(double hz, double bin_hz, int length)
{
    double bin = hz / bin_hz;
    return bins_within(bins_around(bin, fmax(LOBE + 1, tone_share * bin)),
                       (struct bins){0, length / 2});
}

/* Whether a tone that nobody told of is the tone of a dynamic range measurement, and no
 * spur of an idle channel: loud enough, and 10 dB above all else in band but hum. Missed,
 * it is seen at once (a loud line, no dynamic range); a spur taken for it would be
 * believed. */
static bool dominates(const struct tone_search *search, const struct tone_fit *fit)
{
    const double least_dbfs = -70, times = 10;
    struct bins hidden[MAINS_FAMILIES * MAINS_LINES + 1];
    int length = search->length, count = 0;
    double bin_hz = (double)search->sample_rate_hz / length;
    double power = cabs(fit->phasor) * cabs(fit->phasor) / 2;
    hidden[count++] = tone_bins(fit->cycles * search->sample_rate_hz, bin_hz, length);
    for (enum mains_family family = MAINS_50; family < MAINS_FAMILIES; family++)
        for (int m = 1; m <= MAINS_LINES; m++)
            hidden[count++] = mains_lobe(family, m, bin_hz);
    count = bins_merge(hidden, count);
    struct bins band = bins_of_band(search->low_hz, search->high_hz, bin_hz, length);
    double rest = powers_sum_outside(search->powers, hidden, count, band, NULL);
    return dbfs_from_mean_square(power) >= least_dbfs && power >= times * rest;
}

/* Looks in the middle of all that is clean, where a tone that was played late or ended
 * early sounds as well: near told_hz, or (0) for any tone that dominates. */
static bool find_tone(struct capture *capture, const struct noise_request *request,
                      const struct steady_span *clean, double told_hz,
                      struct fft_cache *cache, struct noise_channel *channel,
                      struct problem *problem)
{
    double rate = channel->sample_rate_hz;
    struct tone_search search = {.channel = channel->channel,
                                 .span = *clean,
                                 .sample_rate_hz = channel->sample_rate_hz,
                                 .low_hz = request->band_hz[0],
                                 .high_hz = request->band_hz[1],
                                 .most = CANDIDATES};
    struct tone_fit found[CANDIDATES];
    int count = 0, i = 0;
    search.length = segments_length(clean->frames, channel->sample_rate_hz,
                                    told_hz > 0 ? told_hz : any_hz);
    if (search.length == 0 || clean->silent)
        return true;
    search.span.first_frame += (clean->frames - search.length) / 2;
    if (told_hz > 0) {
        double reach = fmax(tone_share * told_hz, 3 * rate / search.length);
        search.low_hz = told_hz - reach;
        search.high_hz = told_hz + reach;
        search.most = 1;
    }
    search.powers = malloc((size_t)search.length * sizeof *search.powers);
    if (!search.powers)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a spectrum of %d samples.", search.length);
    bool done = tone_search_find(capture, &search, cache, found, &count, problem);
    while (told_hz == 0 && i < count && mains_is(found[i].cycles * rate))
        i++;
    if (done && i < count && (told_hz > 0 || dominates(&search, &found[i]))) {
        channel->has_tone = true;
        channel->tone_hz = found[i].cycles * rate;
        channel->tone_found = cabs(found[i].phasor) * cabs(found[i].phasor) / 2;
    }
    free(search.powers);
    return done;
}

/* A tone that is not where it was told to be is looked for everywhere: the clocks may be
 * far off. */
static bool seek_tone(struct capture *capture, const struct noise_request *request,
                      const struct steady_span *clean, struct fft_cache *cache,
                      struct noise_channel *channel, struct problem *problem)
{
    if (!request->seeks_tone)
        return true;
    if (!find_tone(capture, request, clean, request->tone_hz, cache, channel, problem))
        return false;
    return channel->has_tone || request->tone_hz == 0 ||
           find_tone(capture, request, clean, 0, cache, channel, problem);
}

static bool make_weights(struct noise_channel *channel, struct problem *problem)
{
    int width = bins_width(channel->band);
    channel->a_weights = malloc((size_t)width * sizeof(double));
    channel->weights_468 = malloc((size_t)width * sizeof(double));
    if (!channel->a_weights || !channel->weights_468)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for the weights of %d bins.", width);
    for (int i = 0; i < width; i++) {
        double hz = (channel->band.first + i) * noise_bin_hz(channel);
        channel->a_weights[i] = weighting_a_power(hz);
        channel->weights_468[i] = weighting_468_rms_power(hz);
    }
    return true;
}

static bool plan_pass(struct noise_channel *channel, const struct noise_request *request,
                      struct fft_cache *cache, int length, struct problem *problem)
{
    channel->plan = segments_over(channel->channel, channel->span.first_frame,
                                  channel->span.frames, length, length / 2);
    if (!fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window, problem))
        return false;
    double bin_hz = noise_bin_hz(channel);
    channel->band =
        bins_of_band(request->band_hz[0], request->band_hz[1], bin_hz, length);
    channel->out_of_band = figures_out_of_band(channel->sample_rate_hz, length);
    channel->tone = channel->has_tone ? tone_bins(channel->tone_hz, bin_hz, length)
                                      : (struct bins){0, -1};
    if (!make_weights(channel, problem) ||
        !spectrum_new(length, channel->band.last + 1, &channel->spectrum, problem))
        return false;
    if (channel->has_tone)
        return true;
    if (!weighting_filter_new(channel->sample_rate_hz, &channel->filter, problem))
        return false;
    channel->detector = quasi_peak_at(weighting_filter_rate_hz(channel->filter));
    return true;
}

bool noise_pass_prepare(const struct course_job *job, const struct course_part *part,
                        void *state, bool *ret_ready, struct problem *problem)
{
    struct noise_channel *channel = state;
    const struct noise_request *request = job->request;
    channel->channel = part->channel;
    channel->sample_rate_hz = capture_format(job->input->capture)->sample_rate_hz;
    if (!seek_tone(job->input->capture, request, &part->clean, job->input->cache, channel,
                   problem))
        return false;
    channel->span = channel->has_tone ? part->steady : part->clean;
    int length = segments_length(channel->span.frames, channel->sample_rate_hz,
                                 channel->has_tone ? channel->tone_hz : any_hz);
    channel->is_measured = !channel->span.silent && length > 0;
    channel->reason =
        channel->span.silent ? REASON_DIGITAL_SILENCE : REASON_NOT_ENOUGH_DATA;
    *ret_ready = channel->is_measured;
    return !channel->is_measured ||
           plan_pass(channel, request, job->input->cache, length, problem);
}
