/**
 * Powers of one channel of `distortion` from the sums of the pass.
 */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_POWERS_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_POWERS_H

#include "analysis/measurements/distortion_lines.h"
#include "analysis/measurements/distortion_pass.h"
#include "analysis/measurements/powers.h"

/** What the figures of one channel are made of. */
struct distortion_powers {
    struct power fundamental, total, residual, noise, noise_a, out_of_band, thd, mains;
    double residual_per_fundamental_u95; /* half-width of residual/fundamental */
    double noise_per_fundamental_u95, thd_per_fundamental_u95;
    bool has_harmonics_in_band;
    bool thd_stands_out; /* at least one of its harmonics is a line */
    bool thd_mixed;      /* a line that is no harmonic stands in a harmonic's lobe */
    double thd_noise;    /* noise in the lobes */
    bool has_mains;      /* a mains line stands out */
    bool mains_complete; /* no mains line in band coincides with tone or harmonics */
    double correlated;   /* harmonics above the highest order: what they add up to */
};

/** The averaged spectrum of a channel and where the tone stands in it. */
struct distortion_view {
    const struct distortion_channel *channel;
    const struct distortion_request *request;
    struct tone_bands nominal; /* as each segment was cut */
    struct tone_bands wide;    /* what the average must not take for noise */
    double tone_bins;
    double line_threshold; /* over the density, for the lobes of all harmonics */
};

/** Borrows channel and request. OUT_OF_MEMORY; free with distortion_view_free in any
 * case. */
bool distortion_view_new(const struct distortion_channel *channel,
                         const struct distortion_request *request,
                         struct distortion_view *ret, struct problem *problem)
    __attribute__((warn_unused_result));
void distortion_view_free(struct distortion_view *view);

void distortion_powers_gather(const struct distortion_view *view,
                              const struct distortion_lines *lines,
                              struct distortion_powers *powers);

/** Whether the highest bin of a harmonic's lobe is a line over noise of this density. */
bool distortion_stands_out(const struct distortion_view *view, struct bins lobe,
                           double density);

/** One harmonic, signed: its lobe less the noise under it. *ret_density: of that noise,
 * mean square per bin. */
struct power distortion_harmonic_power(const struct distortion_view *view,
                                       const struct harmonic_place *place, int order,
                                       double *ret_density);

#endif
