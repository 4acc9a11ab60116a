#include "analysis/measurements/jitter_pass.h"

#include <math.h>

#include "analysis/measurements/passes.h"
#include "analysis/measurements/tone_search.h"

enum {
    FEWEST_BINS = 64, /* of offsets, or there is nothing to speak of */
    CANDIDATES = 4,
};

static const double lowest_carrier_hz = 500, lowest_tone_hz = 20;
static const double search_share = 0.01; /* a given frequency is sought within ±1 % */

double jitter_bin_hz(const struct jitter_channel *channel)
{
    return (double)channel->sample_rate_hz / channel->plan.length;
}

static bool without_carrier(struct jitter_channel *channel, enum reason reason)
{
    channel->has_carrier = false;
    channel->reason = reason;
    return true;
}

static bool plan_pass(struct jitter_channel *channel,
                      const struct jitter_request *request, struct fft_cache *cache,
                      int length, struct problem *problem)
{
    double carrier_bins = channel->cycles * length;
    int reach = demodulate_reach(length, carrier_bins);
    if (reach < FEWEST_BINS)
        return without_carrier(channel, REASON_ABOVE_BAND);
    channel->plan = segments_over(channel->channel, channel->span.first_frame,
                                  channel->span.frames, length, length / 2);
    channel->has_carrier = true;
    if (request->look_for_pattern)
        jitter_known_begin(&channel->known, carrier_bins, reach);
    else
        channel->known.farthest = -1;
    return fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &channel->window,
                      problem) &&
           tone_track_new((int)channel->plan.count, length / 2, &channel->track,
                          problem) &&
           demodulate_new(length, reach, &channel->demodulate, problem);
}

/* The strongest tone that can be a carrier, from `lowest` cycles per sample on; `lower`
 * where it is hardly there beside one that cannot, whose sidebands and harmonics are no
 * carriers. */
static const struct tone_fit *choose_carrier(const struct tone_fit *found, int count,
                                             double lowest, bool *ret_lower)
{
    const double least = 0.01; /* of the strongest tone's amplitude */
    int i = 0;
    while (i < count && found[i].cycles < lowest)
        i++;
    *ret_lower =
        i > 0 && (i == count || cabs(found[i].phasor) < least * cabs(found[0].phasor));
    return i < count ? &found[i] : NULL;
}

bool jitter_pass_prepare(const struct course_job *job, const struct course_part *part,
                         void *state, bool *ret_ready, struct problem *problem)
{
    struct jitter_channel *channel = state;
    const struct jitter_request *request = job->request;
    struct tone_fit found[CANDIDATES];
    bool lower;
    int count = 0, rate = capture_format(job->input->capture)->sample_rate_hz;
    double highest_hz = rate / 2.0;
    channel->channel = part->channel;
    channel->span = part->steady;
    channel->sample_rate_hz = rate;
    if (channel->span.silent)
        return without_carrier(channel, REASON_DIGITAL_SILENCE);
    int length = segments_length(channel->span.frames, rate, lowest_carrier_hz);
    if (length == 0)
        return without_carrier(channel, REASON_NOT_ENOUGH_DATA);
    struct tone_search search = {.channel = channel->channel,
                                 .span = channel->span,
                                 .sample_rate_hz = rate,
                                 .length = length,
                                 .low_hz = lowest_tone_hz,
                                 .high_hz = highest_hz,
                                 .most = CANDIDATES};
    if (request->frequency_hz > 0) {
        search.low_hz = request->frequency_hz * (1 - search_share);
        search.high_hz = request->frequency_hz * (1 + search_share);
        search.most = 1;
    }
    if (!tone_search_find(job->input->capture, &search, job->input->cache, found, &count,
                          problem))
        return false;
    const struct tone_fit *tone = choose_carrier(
        found, count, request->frequency_hz > 0 ? 0 : lowest_carrier_hz / rate, &lower);
    if (lower)
        channel->cycles = found[0].cycles;
    if (lower || !tone)
        return without_carrier(channel, REASON_NOT_DETERMINABLE);
    channel->cycles = tone->cycles;
    if (!plan_pass(channel, request, job->input->cache, length, problem))
        return false;
    *ret_ready = channel->has_carrier;
    return true;
}

/* Turns of the carrier at the last segment's centre, since its phase was zero. */
static double turns_so_far(const struct tone_track *track)
{
    int k = track->count - 1;
    return (track->first_phase + track->excess[k]) / (2 * M_PI) +
           track->cycles0 * track->hop * k;
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct passes *pass = context;
    struct jitter_channel *channel = pass->channels[plan];
    struct demodulate *demodulate = &channel->demodulate;
    struct demodulate_segment segment = {samples, channel->window, channel->cycles};
    if (!demodulate_take(demodulate, pass->buffer, pass->cache, &segment, problem))
        return false;
    const struct tone_fit *carrier = &demodulate->carrier;
    double size = cabs(carrier->phasor);
    channel->cycles = carrier->cycles;
    tone_track_add(&channel->track, carrier);
    moments_add(&channel->carrier, size * size / 2, 0);
    channel->weakest =
        index > 0 ? fmin(channel->weakest, size * size / 2) : size * size / 2;
    double turns = turns_so_far(&channel->track);
    jitter_known_add(&channel->known, demodulate, channel->window, turns);
    if (index == channel->plan.count / 2) {
        demodulate_keep(demodulate);
        channel->kept_turns = turns;
    }
    return true;
}

bool jitter_pass_run(const struct course_job *job, void *states, int count,
                     const struct progress *progress, struct problem *problem)
{
    struct jitter_channel *channels = states;
    struct passes passes = {.cache = job->input->cache};
    for (int c = 0; c < count; c++)
        if (channels[c].has_carrier)
            passes_add(&passes, &channels[c].plan, &channels[c], NULL);
    if (!passes_run(&passes, job->input->capture, take_segment, progress, problem))
        return false;
    for (int c = 0; c < count; c++) {
        if (!channels[c].has_carrier)
            continue;
        demodulate_finish(&channels[c].demodulate);
        channels[c].cycles = tone_track_result(&channels[c].track).cycles;
    }
    return true;
}

void jitter_channel_free(void *state)
{
    struct jitter_channel *channel = state;
    tone_track_free(&channel->track);
    demodulate_free(&channel->demodulate);
}
