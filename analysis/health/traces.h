/**
 * The part of a recording's health that one averaged spectrum tells: the tone that
 * dominates, its clock against the nominal one, lines of the mains, image lines that a
 * resampler left.
 *
 * One spectrum per channel: 7-term window, segments that do not overlap, of 2^10 to 2^18
 * samples (0.65 Hz a bin at the finest, at least six segments in the recording); 2^19
 * above 384 kHz. Memory: 6 MiB per channel at 2^18. Speed: little beside the transforms.
 *
 * Fills tone_hz and clock_offset_ppm; warns `clock_offset` (5 ppm or more, and more than
 * its own uncertainty), `wrong_signal` (more than 1000 ppm, from −60 dBFS on: another
 * tone than the nominal one), `mains_suspected`, `possible_resampler`. What is behind
 * each: traces_tone.h, traces_mains.h, traces_images.h.
 */
#ifndef ANALYSIS_HEALTH_TRACES_H
#define ANALYSIS_HEALTH_TRACES_H

#include "analysis/health/parts.h"

struct traces;

/** NULL: OUT_OF_MEMORY. */
struct traces *traces_new(const struct health_subject *subject, struct problem *problem)
    __attribute__((warn_unused_result));
bool traces_feed(struct traces *traces, const struct health_block *block,
                 struct problem *problem) __attribute__((warn_unused_result));
bool traces_end(struct traces *traces, struct health *health, struct problem *problem)
    __attribute__((warn_unused_result));
void traces_free(struct traces *traces);

#endif
