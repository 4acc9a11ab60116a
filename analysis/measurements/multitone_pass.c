#include "analysis/measurements/multitone_pass.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/measurements/passes.h"
#include "analysis/measurements/powers.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    FEWEST_SEGMENTS = 8, /* half-overlapping; below that they overlap by three quarters */
    FIT_STEPS = 3,
};

static const double coarsest_hz = 0.4; /* of a bin */

double multitone_pass_bin_hz(const struct multitone_channel *channel)
{
    return (double)channel->sample_rate_hz / channel->plan.length;
}

int multitone_pass_length(int64_t frames, int sample_rate_hz, double apart_hz)
{
    int64_t length = 2, longest;
    while (sample_rate_hz / (double)length > coarsest_hz)
        length *= 2;
    longest = 4 * length;
    while (apart_hz * (double)length < 2 * LOBE * (double)sample_rate_hz &&
           length < longest && 2 * length * (FEWEST_SEGMENTS + 1) / 2 <= frames)
        length *= 2;
    return length <= frames ? (int)length : 0;
}

struct bins multitone_pass_own(const struct multitone_channel *channel, int i,
                               double ratio)
{
    const struct multitone_place *places = channel->set.places;
    int length = channel->plan.length;
    double bin = places[i].cycles * ratio * length;
    struct bins own = bins_within(bins_lobe(bin), (struct bins){0, length / 2});
    if (i > 0) {
        double middle = (bin + places[i - 1].cycles * ratio * length) / 2;
        own.first = own.first > middle ? own.first : (int)floor(middle) + 1;
    }
    if (i + 1 < channel->set.count) {
        double middle = (bin + places[i + 1].cycles * ratio * length) / 2;
        own.last = own.last < middle ? own.last : (int)floor(middle);
    }
    return own;
}

static void add_powers(struct multitone_channel *channel, const double *powers,
                       double ratio)
{
    struct bins lobes[MULTITONE_MAX_TONES];
    int count =
        multitone_search_lobes(&channel->set, channel->plan.length, ratio, ratio, lobes);
    double tones = 0;
    for (int i = 0; i < channel->set.count; i++) {
        double power = spectrum_sum(powers, multitone_pass_own(channel, i, ratio));
        moments_add(&channel->tone[i], power, 0);
        tones += power;
    }
    moments_add(&channel->residual,
                powers_sum_outside(powers, lobes, count, channel->band, NULL), tones);
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct passes *pass = context;
    struct multitone_channel *channel = pass->channels[plan];
    struct tone_fit_segment segment = {samples, channel->span.dc, channel->window};
    struct tone_fit fit =
        tone_fit_segment(&segment, channel->cycles, FIT_STEPS, pass->buffer);
    (void)index;
    channel->cycles = fit.cycles;
    tone_track_add(&channel->track, &fit);
    if (!spectrum_take(pass->cache, channel->window, pass->buffer, pass->powers,
                       &channel->spectrum, problem))
        return false;
    add_powers(channel, pass->powers,
               fit.cycles / channel->set.places[channel->set.tracked].cycles);
    return true;
}

/* Least distance of two tones. */
static double least_apart_hz(const struct multitone_set *set, int sample_rate_hz)
{
    double least = INFINITY;
    for (int i = 1; i < set->count; i++)
        least = fmin(least, set->places[i].cycles - set->places[i - 1].cycles);
    return least * sample_rate_hz;
}

/* Segments over the whole span, and all that the pass needs. */
static bool plan_pass(struct multitone_channel *channel,
                      const struct multitone_request *request, struct fft_cache *cache,
                      int length, struct problem *problem)
{
    int64_t frames = channel->span.frames;
    assert(length >= KERNELS_BLOCK);
    bool few = frames < (int64_t)length * (FEWEST_SEGMENTS + 1) / 2;
    int hop = few ? length / 4 : length / 2;
    channel->plan =
        segments_over(channel->channel, channel->span.first_frame, frames, length, hop);
    channel->band = bins_of_band(request->band_hz[0], request->band_hz[1],
                                 multitone_pass_bin_hz(channel), length);
    channel->cycles = channel->set.places[channel->set.tracked].cycles;
    return fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window,
                      problem) &&
           tone_track_new((int)channel->plan.count, hop, &channel->track, problem) &&
           spectrum_new(length, channel->band.last + 1, &channel->spectrum, problem);
}

static bool without_tones(struct multitone_channel *channel, enum reason reason)
{
    channel->has_tones = false;
    channel->reason = reason;
    return true;
}

bool multitone_pass_prepare(const struct course_job *job, const struct course_part *part,
                            void *state, bool *ret_ready, struct problem *problem)
{
    struct multitone_channel *channel = state;
    const struct multitone_request *request = job->request;
    channel->channel = part->channel;
    channel->span = part->steady;
    channel->sample_rate_hz = capture_format(job->input->capture)->sample_rate_hz;
    if (channel->span.silent)
        return without_tones(channel, REASON_DIGITAL_SILENCE);
    struct multitone_search search = {
        .channel = channel->channel,
        .span = channel->span,
        .sample_rate_hz = channel->sample_rate_hz,
        .length = multitone_pass_length(channel->span.frames, channel->sample_rate_hz,
                                        INFINITY),
    };
    if (search.length == 0)
        return without_tones(channel, REASON_NOT_ENOUGH_DATA);
    if (!multitone_search_find(job->input->capture, &search, request, job->input->cache,
                               &channel->set, problem))
        return false;
    if (channel->set.count == 0)
        return without_tones(channel, REASON_NOT_DETERMINABLE);
    channel->has_tones = true;
    int length =
        multitone_pass_length(channel->span.frames, channel->sample_rate_hz,
                              least_apart_hz(&channel->set, channel->sample_rate_hz));
    *ret_ready = true;
    return plan_pass(channel, request, job->input->cache, length, problem);
}

bool multitone_pass_run(const struct course_job *job, void *states, int count,
                        const struct progress *progress, struct problem *problem)
{
    struct multitone_channel *channels = states;
    struct passes passes = {.cache = job->input->cache};
    for (int c = 0; c < count; c++)
        if (channels[c].has_tones)
            passes_add(&passes, &channels[c].plan, &channels[c], &channels[c].spectrum);
    return passes_run(&passes, job->input->capture, take_segment, progress, problem);
}

void multitone_channel_free(void *state)
{
    struct multitone_channel *channel = state;
    tone_track_free(&channel->track);
    spectrum_free(&channel->spectrum);
}
