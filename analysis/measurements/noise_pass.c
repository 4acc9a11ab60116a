#include "analysis/measurements/noise_pass.h"

#include <stdlib.h>

#include "analysis/measurements/passes.h"
#include "analysis/measurements/powers.h"

static const double settle_s = 3;        /* of the detector, before it is read */
static const double transient_s = 0.005; /* of the filter, that starts from rest */

/* Besides a segment's spectrum. */
struct room {
    double *weighted; /* samples through the curve of BS.468 */
};

double noise_bin_hz(const struct noise_channel *channel)
{
    return (double)channel->sample_rate_hz / channel->plan.length;
}

struct bins noise_mains_lobe(const struct noise_channel *channel,
                             enum mains_family family, int m)
{
    const struct bins none = {0, -1};
    double bin_hz = noise_bin_hz(channel), bin = mains_hz(family, m) / bin_hz;
    struct bins lobe = mains_lobe(family, m, bin_hz);
    if (bin < channel->band.first || bin > channel->band.last ||
        lobe.first < WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS || bins_meet(lobe, channel->tone))
        return none;
    return bins_within(lobe, (struct bins){0, channel->plan.length / 2});
}

static void add_powers(struct noise_channel *channel, const double *powers)
{
    const struct bins *tone = &channel->tone, band = channel->band;
    int cut = channel->has_tone;
    double beside = spectrum_sum(powers, *tone);
    moments_add(&channel->tone_power, beside, beside);
    moments_add(&channel->noise, powers_sum_outside(powers, tone, cut, band, NULL),
                beside);
    moments_add(&channel->noise_a,
                powers_sum_outside(powers, tone, cut, band, channel->a_weights), beside);
    moments_add(&channel->noise_468,
                powers_sum_outside(powers, tone, cut, band, channel->weights_468),
                beside);
    moments_add(&channel->out_of_band_noise,
                powers_sum_outside(powers, tone, cut, channel->out_of_band, NULL),
                beside);
    for (enum mains_family family = MAINS_50; family < MAINS_FAMILIES; family++) {
        double sum = 0;
        for (int m = 1; m <= MAINS_LINES; m++)
            sum += spectrum_sum(powers, noise_mains_lobe(channel, family, m));
        moments_add(&channel->mains[family], sum, beside);
    }
}

/* The samples that no segment before this one held go through the curve and move the
 * needle. It is first let settle on the beginning, which it then reads. */
static void add_quasi_peak(struct noise_channel *channel, int64_t index,
                           const double *samples, double *weighted)
{
    const struct segment_plan *plan = &channel->plan;
    double rate = weighting_filter_rate_hz(channel->filter), dc = channel->span.dc;
    int taken = index == plan->count - 1 ? plan->length : plan->hop;
    int count = weighting_filter_output(channel->filter, taken);
    struct quasi_peak_reading reading;
    if (index > 0) {
        weighting_filter_read(channel->filter, samples, taken, dc, &channel->detector,
                              &reading);
    } else {
        weighting_filter_run(channel->filter, samples, taken, dc, weighted);
        int transient = (int)(transient_s * rate);
        weighted += transient;
        count -= transient;
        int settled = (int)(settle_s * rate);
        for (int held = 0; held < settled; held += count)
            quasi_peak_run(&channel->detector, weighted, count);
        reading = quasi_peak_run(&channel->detector, weighted, count);
    }
    moments_add(&channel->quasi_peak, reading.sum / count, 0);
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct passes *pass = context;
    struct noise_channel *channel = pass->channels[plan];
    const struct room *room = pass->own;
    fft_put_windowed(pass->buffer, channel->window, samples, channel->span.dc);
    if (!spectrum_take(pass->cache, channel->window, pass->buffer, pass->powers,
                       &channel->spectrum, problem))
        return false;
    add_powers(channel, pass->powers);
    if (channel->filter)
        add_quasi_peak(channel, index, samples, room->weighted);
    return true;
}

bool noise_pass_run(const struct course_job *job, void *states, int count,
                    const struct progress *progress, struct problem *problem)
{
    struct noise_channel *channels = states;
    struct passes passes = {.cache = job->input->cache};
    size_t weighted = 0;
    for (int c = 0; c < count; c++) {
        struct noise_channel *channel = &channels[c];
        int length = channel->plan.length;
        if (!channel->is_measured)
            continue;
        passes_add(&passes, &channel->plan, channel, &channel->spectrum);
        size_t output = channel->filter
                            ? (size_t)weighting_filter_output(channel->filter, length)
                            : 0;
        weighted = output > weighted ? output : weighted;
    }
    struct room room = {malloc((weighted + 1) * sizeof *room.weighted)};
    if (!room.weighted)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for %zu weighted samples.", weighted);
    passes.own = &room;
    bool done = passes_run(&passes, job->input->capture, take_segment, progress, problem);
    free(room.weighted);
    return done;
}

void noise_channel_free(void *state)
{
    struct noise_channel *channel = state;
    free(channel->a_weights);
    free(channel->weights_468);
    weighting_filter_free(channel->filter);
    spectrum_free(&channel->spectrum);
}
