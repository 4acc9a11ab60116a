/**
 * The sidebands of a carrier: which lines stand beside it, how much of each is phase and
 * how much amplitude modulation, and where they may come from.
 *
 * Lines are sought in the power of both sidebands together. A line of which one side is
 * more than 20 dB below the other, or hidden in noise where a symmetric one would show,
 * is `additive`: no modulation. Otherwise its phase part is jitter where it stands out of
 * the noise of the phase spectrum. The pattern's own lines are judged by what they
 * exceed the pattern (jitter_known).
 */
#ifndef ANALYSIS_MEASUREMENTS_JITTER_LINES_H
#define ANALYSIS_MEASUREMENTS_JITTER_LINES_H

#include "analysis/dsp/bins.h"
#include "analysis/measurements/jitter_pass.h"
#include "analysis/measurements/powers.h"

enum jitter_kind { JITTER_PHASE, JITTER_AMPLITUDE, JITTER_MIXED, JITTER_ADDITIVE };
enum jitter_origin {
    JITTER_MAINS,
    JITTER_TEST_PATTERN,
    JITTER_USB_FRAME,
    JITTER_UNKNOWN,
};

/** One line; powers relative to the carrier, of one sideband. */
struct jitter_line {
    double bin; /* from the carrier */
    struct power upper, lower, phase, amplitude;
    bool has_phase, has_amplitude; /* they stand out of the noise, or of the pattern */
    bool has_kind;                 /* one of them does, or the line is additive */
    enum jitter_kind kind;
    enum jitter_origin origin;
    double complex phasor; /* of the phase modulation at the kept segment's centre: sign
                              and angle count, not the size */
};

struct jitter_lines {
    struct jitter_line *lines; /* the strongest first */
    int count;
    struct bins *excluded; /* carrier, lines and pattern: no noise; ascending, disjoint */
    int excluded_count;
    double *lower; /* [reach + 1]: powers of the lower sideband */
};

/** Bins next to the carrier that its own lobe and that of a line beside it need. */
enum { JITTER_LINES_FIRST = 2 * WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS + 1 };

/** The finished channel. Gives the lines (free with jitter_lines_free). OUT_OF_MEMORY. */
bool jitter_lines_find(struct jitter_channel *channel, struct jitter_lines *ret,
                       struct problem *problem) __attribute__((warn_unused_result));
void jitter_lines_free(struct jitter_lines *lines);

/** Whether its phase modulation counts as jitter. */
bool jitter_lines_is_jitter(const struct jitter_line *line);

#endif
