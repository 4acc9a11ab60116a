/**
 * The curve of ITU-R BS.468-4 in time: samples in, weighted samples out.
 *
 * The network's six poles are taken over exactly (impulse invariance): its response falls
 * by 30 dB an octave, so that what folds does not matter, provided that the rate is high
 * enough and not so high that precision is lost. So the samples are first brought to a
 * working rate of 64 to 128 kHz (halfband.h), which is the rate that weighted samples
 * have. 1 at 1 kHz.
 * Accuracy: the Recommendation's table within its tolerances below half the sample rate,
 * at every rate from 44.1 to 768 kHz (weighting_filter_test.c).
 * Memory: about 150 KiB. Cost: 2 ns a sample at 192 kHz, 2.5 with the detector.
 */
#ifndef ANALYSIS_DSP_WEIGHTING_FILTER_H
#define ANALYSIS_DSP_WEIGHTING_FILTER_H

#include "analysis/core/problem.h"
#include "analysis/dsp/quasi_peak.h"

enum { WEIGHTING_FILTER_STEP = 16 }; /* samples come in multiples of this */

struct weighting_filter;

/** Gives a filter at rest; 8 kHz … 1.536 MHz. OUT_OF_MEMORY. */
bool weighting_filter_new(int sample_rate_hz, struct weighting_filter **ret,
                          struct problem *problem) __attribute__((warn_unused_result));
void weighting_filter_free(struct weighting_filter *filter);

double weighting_filter_rate_hz(const struct weighting_filter *filter);
/** How many weighted samples come of so many. */
int weighting_filter_output(const struct weighting_filter *filter, int count);

/** Goes on where it stopped: takes `dc` off samples[count], a multiple of
 * WEIGHTING_FILTER_STEP, and fills ret[weighting_filter_output(count)]. */
void weighting_filter_run(struct weighting_filter *filter, const double *samples,
                          int count, double dc, double *ret);
/** The same straight into a detector (quasi_peak_run), keeping no weighted sample: what
 * one waits for the other uses, so that both together take little longer than one. */
void weighting_filter_read(struct weighting_filter *filter, const double *samples,
                           int count, double dc, struct quasi_peak *detector,
                           struct quasi_peak_reading *ret);

#endif
