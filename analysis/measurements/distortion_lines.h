/**
 * The discrete lines beside a tone: which are its harmonics, which are not.
 *
 * A line is the harmonic of order k when it lies at k times the tone's frequency, or at
 * the place where that folds to: within 1.5 bins for multiples below half the sample rate
 * and for folded ones up to the order asked for. Higher folded orders (to 1000) must
 * agree within 0.15 bin and be no stronger than the strongest harmonic of low order;
 * beyond twice the sample rate they are believed only in company.
 */
#ifndef ANALYSIS_MEASUREMENTS_DISTORTION_LINES_H
#define ANALYSIS_MEASUREMENTS_DISTORTION_LINES_H

#include "analysis/dsp/lines.h"
#include "analysis/measurements/distortion_pass.h"

struct distortion_lines {
    struct line_list list; /* in band, strongest first */
    int *orders;           /* of each line; 0: no harmonic */
    int *far_orders;       /* of those not named by their place: what they might be */
    /* Largest bin power in band beside the fundamental, and beside all harmonics too: */
    double highest_bin, highest_noise_bin;
    /* Of folded harmonics that no excluded interval covers: */
    double folded_power, folded_power_a;
    bool has_mains;          /* a line of the 50 or 60 Hz family stands out */
    double high_order_power; /* of all harmonics beyond the order asked for */
};

/** `wide`: the bands of the averaged spectrum. Free with distortion_lines_free. */
bool distortion_lines_find(const struct distortion_channel *channel,
                           const struct distortion_request *request,
                           const struct tone_bands *wide, struct distortion_lines *ret,
                           struct problem *problem) __attribute__((warn_unused_result));
/** Whether lines that are no harmonics stand in a lobe with more than 0.2 % of its power.
 */
bool distortion_lobe_is_mixed(const struct distortion_lines *lines, struct bins lobe,
                              double power);

void distortion_lines_free(struct distortion_lines *lines);

/** sfdr, worst_spur_frequency, worst_spur_level and the list `lines`. */
void distortion_lines_report(const struct distortion_channel *channel,
                             const struct distortion_lines *lines, double fundamental,
                             struct report *report, int c);

#endif
