/**
 * One reading of the recording for all channels of a measurement: their plans, whose they
 * are, and room for the spectrum of one segment at a time.
 * Memory: the longest segment twice, whatever the number of channels.
 */
#ifndef ANALYSIS_MEASUREMENTS_PASSES_H
#define ANALYSIS_MEASUREMENTS_PASSES_H

#include "analysis/dsp/spectrum.h"
#include "analysis/measurements/segments.h"

struct passes {
    struct fft_cache *cache; /* borrowed */
    const void *own;         /* what else the measurement needs; borrowed */
    int count;
    /* By plan; the channels' state is the measurement's, borrowed. */
    struct segment_plan plans[CAPTURE_MAX_CHANNELS];
    void *channels[CAPTURE_MAX_CHANNELS];
    struct spectrum *spectra[CAPTURE_MAX_CHANNELS];
    /* While they run: */
    double *buffer; /* the longest segment and its transform */
    double *powers; /* and the powers of that */
};

/** Adds a channel; its spectrum is finished after the last segment (NULL: it averages
 * none). */
void passes_add(struct passes *passes, const struct segment_plan *plan, void *channel,
                struct spectrum *spectrum);

/** Feeds all segments to `tell`, whose context is `passes`. OUT_OF_MEMORY, and what
 * reading the recording or `tell` may say. */
bool passes_run(struct passes *passes, struct capture *capture,
                bool (*tell)(int plan, int64_t index, const double *samples,
                             void *context, struct problem *problem),
                const struct progress *progress, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
