#include "analysis/measurements/distortion_pass.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/measurements/distortion_overload.h"
#include "analysis/measurements/passes.h"
#include "analysis/measurements/powers.h"

enum {
    OVERLOAD_LOOKS = 8
}; /* segments of a recording that are looked at for flat tops */

double distortion_bin_hz(const struct distortion_channel *channel)
{
    return (double)channel->sample_rate_hz / channel->plan.length;
}

bool distortion_counts_in_thd(const struct distortion_channel *channel,
                              const struct harmonic_place *place)
{
    return !place->aliased && place->separate && place->bin >= channel->band.first &&
           place->bin <= channel->band.last;
}

struct bins distortion_mains_lobe(const struct distortion_channel *channel,
                                  const struct tone_bands *bands,
                                  enum mains_family family, int m)
{
    const struct bins none = {0, -1};
    double bin = mains_hz(family, m) / distortion_bin_hz(channel);
    struct bins lobe = mains_lobe(family, m, distortion_bin_hz(channel));
    if (bin < channel->band.first || bin > channel->band.last ||
        lobe.first < WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS)
        return none;
    for (int i = 0; i < bands->excluded_count; i++)
        if (bins_meet(lobe, bands->excluded[i]))
            return none;
    return bins_within(lobe, (struct bins){0, channel->plan.length / 2});
}

/* Coherent amplitude of a harmonic from the bins of its lobe, matched with the window's
 * transform; cosine phase at the segment's centre. Scaled alike for every order. */
static double complex match_lobe(const double *transform, const struct window *window,
                                 const struct harmonic_place *place)
{
    double complex sum = 0;
    for (int j = place->lobe.first; j <= place->lobe.last; j++) {
        double shape = window_transform(window->kind, j - place->bin);
        double sign = j % 2 ? -1 : 1; /* from the segment's start to its centre */
        sum += sign * shape * fft_bin(transform, window->length, j);
    }
    return sum;
}

static void add_phases(struct distortion_channel *channel, const double *transform,
                       double tone_bins, double complex fundamental, int highest_order)
{
    double complex unit = fundamental / cabs(fundamental), turn = unit;
    for (int k = 2; k <= highest_order; k++) {
        turn *= unit;
        struct harmonic_place place =
            tone_bands_harmonic(&channel->bands, channel->plan.length, tone_bins, k);
        if (!place.aliased && place.separate)
            channel->phase_sum[k] +=
                match_lobe(transform, channel->window, &place) * conj(turn);
    }
}

static double sum_outside(const struct distortion_channel *channel, const double *powers,
                          struct bins range, const double *weights)
{
    return powers_sum_outside(powers, channel->bands.excluded,
                              channel->bands.excluded_count, range, weights);
}

static void add_harmonics(struct distortion_channel *channel, const double *powers,
                          double tone_bins, double fundamental, int highest_order)
{
    double sum = 0;
    for (int k = 2; k <= highest_order; k++) {
        struct harmonic_place place =
            tone_bands_harmonic(&channel->bands, channel->plan.length, tone_bins, k);
        double power = spectrum_sum(powers, place.lobe);
        moments_add(&channel->harmonic[k], power, fundamental);
        if (distortion_counts_in_thd(channel, &place))
            sum += power;
    }
    moments_add(&channel->thd, sum, fundamental);
}

static void add_powers(struct distortion_channel *channel, const double *powers,
                       double tone_bins, int highest_order)
{
    const struct tone_bands *bands = &channel->bands;
    struct bins band = channel->band, tone = bins_within(bands->fundamental, band);
    double fundamental = spectrum_sum(powers, bands->fundamental);
    double total = spectrum_sum(powers, band);
    double residual = powers_sum_outside(powers, &tone, 1, band, channel->notch_weights);
    moments_add(&channel->fundamental, fundamental, fundamental);
    moments_add(&channel->total, total, fundamental);
    moments_add(&channel->residual, residual, fundamental);
    moments_add(&channel->noise, sum_outside(channel, powers, band, NULL), fundamental);
    moments_add(&channel->noise_a, sum_outside(channel, powers, band, channel->a_weights),
                fundamental);
    moments_add(&channel->out_of_band_noise,
                sum_outside(channel, powers, channel->out_of_band, NULL), fundamental);
    for (int family = 0; family < MAINS_FAMILIES; family++) {
        double sum = 0;
        for (int m = 1; m <= MAINS_LINES; m++)
            sum +=
                spectrum_sum(powers, distortion_mains_lobe(channel, bands,
                                                           (enum mains_family)family, m));
        moments_add(&channel->mains[family], sum, fundamental);
    }
    add_harmonics(channel, powers, tone_bins, fundamental, highest_order);
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct passes *pass = context;
    struct distortion_channel *channel = pass->channels[plan];
    const struct distortion_request *request = pass->own;
    int length = channel->plan.length, order = request->harmonics;
    struct tone_fit_segment segment = {samples, channel->span.dc, channel->window};
    struct tone_fit fit = tone_fit_segment(&segment, channel->cycles, 3, pass->buffer);
    channel->cycles = fit.cycles;
    tone_track_add(&channel->track, &fit);
    if (!channel->overload && index % (channel->plan.count / OVERLOAD_LOOKS + 1) == 0)
        channel->overload = distortion_overload_is_flat(samples, length, &fit);
    if (!spectrum_take(pass->cache, channel->window, pass->buffer, pass->powers,
                       &channel->spectrum, problem))
        return false;
    double tone_bins = fit.cycles * length;
    if (fabs(tone_bins - channel->bands.built_for) * length / 2 > 0.25 * tone_bins)
        tone_bands_lay(&channel->bands, length, tone_bins, order, 0);
    if (cabs(fit.phasor) > 0)
        add_phases(channel, pass->buffer, tone_bins, fit.phasor, order);
    double dc =
        channel->span.dc + creal(fft_bin(pass->buffer, length, 0)) / channel->window->sum;
    add_powers(channel, pass->powers, tone_bins, order);
    moments_add(&channel->dc, dc, 0);
    return true;
}

bool distortion_pass_run(const struct course_job *job, void *states, int count,
                         const struct progress *progress, struct problem *problem)
{
    struct distortion_channel *channels = states;
    struct passes passes = {.cache = job->input->cache, .own = job->request};
    for (int c = 0; c < count; c++)
        if (channels[c].has_tone)
            passes_add(&passes, &channels[c].plan, &channels[c], &channels[c].spectrum);
    return passes_run(&passes, job->input->capture, take_segment, progress, problem);
}

void distortion_channel_free(void *state)
{
    struct distortion_channel *channel = state;
    free(channel->a_weights);
    free(channel->notch_weights);
    tone_bands_free(&channel->bands);
    tone_track_free(&channel->track);
    spectrum_free(&channel->spectrum);
}
