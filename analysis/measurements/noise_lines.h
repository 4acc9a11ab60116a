/**
 * The discrete lines in noise: which are the mains', which a tone's harmonics, which
 * neither; and the noise between them.
 *
 * A line of the mains is the strongest bin near a multiple of 50 or 60 Hz (as far as a
 * grid wanders) where it stands out of the noise beside it. The family whose lines are
 * stronger together counts, unless one is asked for: 300 and 600 Hz belong to both.
 */
#ifndef ANALYSIS_MEASUREMENTS_NOISE_LINES_H
#define ANALYSIS_MEASUREMENTS_NOISE_LINES_H

#include "analysis/dsp/lines.h"
#include "analysis/measurements/noise_pass.h"

struct noise_lines {
    struct line_list list; /* in band, strongest first; without the tone */
    enum mains_family family;
    struct line mains[MAINS_LINES];
    bool has_mains[MAINS_LINES], has_any_mains;
    struct bins *excluded; /* the tone and all lines: ascending, disjoint */
    int excluded_count;
};

/** Free with noise_lines_free. */
bool noise_lines_find(const struct noise_channel *channel,
                      const struct noise_request *request, struct noise_lines *ret,
                      struct problem *problem) __attribute__((warn_unused_result));
void noise_lines_free(struct noise_lines *lines);

/** The lists `mains` and `lines`. */
void noise_lines_report(const struct noise_channel *channel,
                        const struct noise_lines *lines, struct report *report, int c);

#endif
