#include "analysis/measurements/passes.h"

#include <assert.h>
#include <stdlib.h>

void passes_add(struct passes *passes, const struct segment_plan *plan, void *channel,
                struct spectrum *spectrum)
{
    assert(passes->count < CAPTURE_MAX_CHANNELS);
    passes->plans[passes->count] = *plan;
    passes->channels[passes->count] = channel;
    passes->spectra[passes->count++] = spectrum;
}

bool passes_run(struct passes *passes, struct capture *capture,
                bool (*tell)(int plan, int64_t index, const double *samples,
                             void *context, struct problem *problem),
                const struct progress *progress, struct problem *problem)
{
    int longest = 2;
    for (int i = 0; i < passes->count; i++)
        longest = passes->plans[i].length > longest ? passes->plans[i].length : longest;
    passes->buffer = fft_buffer_new(longest);
    passes->powers = malloc(((size_t)longest / 2 + 1) * sizeof *passes->powers);
    bool done = (passes->buffer && passes->powers) ||
                problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                            "No memory for a transform of %d samples.", longest);
    done = done && segments_feed(capture, passes->plans, passes->count, tell, passes,
                                 progress, problem);
    for (int i = 0; done && i < passes->count; i++)
        if (passes->spectra[i])
            spectrum_finish(passes->spectra[i]);
    fft_buffer_free(passes->buffer);
    free(passes->powers);
    passes->buffer = passes->powers = NULL;
    return done;
}
