#include "analysis/health/breaks.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/health/breaks_judge.h"
#include "analysis/health/breaks_reference.h"
#include "analysis/health/breaks_watch.h"

enum {
    MOST_IN_VAIN = 200, /* second looks in a row: then the signal itself is like that */
    BESIDE_GAP = 128,   /* frames: places so near a gap are its edges */
    SAME_BREAK = 256,   /* frames: two looks at one break are not farther apart */
    MOST_BY_REFERENCE = 256,
    TOLD = 3, /* breaks described in the warning */
};

struct breaks {
    const struct health_subject *subject;
    int channels;
    int64_t frames;
    struct breaks_watch *watches;
    struct breaks_reference *reference; /* or NULL */
};

struct breaks *breaks_new(const struct health_subject *subject, struct problem *problem)
{
    int channels = subject->format->channels;
    struct breaks *breaks = calloc(1, sizeof *breaks);
    if (breaks)
        breaks->watches = calloc((size_t)channels, sizeof *breaks->watches);
    if (!breaks || !breaks->watches) {
        breaks_free(breaks);
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to watch %d channels for breaks; try again.",
                    channels);
        return NULL;
    }
    breaks->subject = subject;
    breaks->channels = channels;
    int bits = capture_pcm_bits(subject->format);
    for (int c = 0; c < channels; c++)
        breaks_watch_start(&breaks->watches[c], subject->format->sample_rate_hz,
                           bits > 0 ? ldexp(1, 1 - bits) : 0);
    if (breaks_reference_new(subject, &breaks->reference, problem))
        return breaks;
    breaks_free(breaks);
    return NULL;
}

void breaks_free(struct breaks *breaks)
{
    if (!breaks)
        return;
    breaks_reference_free(breaks->reference);
    free(breaks->watches);
    free(breaks);
}

bool breaks_feed(struct breaks *breaks, const struct health_block *block,
                 struct problem *problem)
{
    for (int c = 0; c < breaks->channels; c++)
        breaks_watch_feed(&breaks->watches[c], block->samples[c], block->count,
                          block->first_frame);
    breaks->frames = block->first_frame + block->count;
    return !breaks->reference || breaks_reference_feed(breaks->reference, block, problem);
}

/* Frames that are not clean, in order of their beginning. */
struct dirt {
    struct health_span spans[2 * BREAKS_WATCH_PLACES];
    int count;
};

static void add_dirt(struct dirt *dirt, int64_t first, int64_t end)
{
    int at = dirt->count;
    if (dirt->count == (int)(sizeof dirt->spans / sizeof dirt->spans[0])) {
        /* No room: nothing behind is called clean. */
        dirt->spans[at - 1].frames = INT64_MAX / 2;
        return;
    }
    while (at > 0 && dirt->spans[at - 1].first_frame > first) {
        dirt->spans[at] = dirt->spans[at - 1];
        at--;
    }
    dirt->spans[at] = (struct health_span){first, end - first};
    dirt->count++;
}

static struct health_span longest_clean(const struct dirt *dirt, int64_t frames)
{
    struct health_span best = {0, 0};
    int64_t from = 0;
    for (int i = 0; i <= dirt->count; i++) {
        int64_t to = i < dirt->count ? dirt->spans[i].first_frame : frames;
        to = to < frames ? to : frames;
        if (to - from > best.frames)
            best = (struct health_span){from, to - from};
        if (i < dirt->count) {
            int64_t end = dirt->spans[i].first_frame + dirt->spans[i].frames;
            from = end > from ? end : from;
        }
    }
    return best;
}

static void add_gaps(const struct capture *capture, struct dirt *dirt)
{
    int count;
    const struct capture_gap *gaps = capture_gaps(capture, &count);
    for (int i = 0; i < count; i++)
        add_dirt(dirt, gaps[i].first_frame, gaps[i].first_frame + gaps[i].frames);
}

static bool is_gap(const struct capture *capture, int64_t frame)
{
    int count;
    const struct capture_gap *gaps = capture_gaps(capture, &count);
    for (int i = 0; i < count; i++)
        if (frame > gaps[i].first_frame - BESIDE_GAP &&
            frame < gaps[i].first_frame + gaps[i].frames + BESIDE_GAP)
            return true;
    return false;
}

static void report(const struct health_dropout *dropout, struct health_channel *channel)
{
    if (channel->dropout_count < HEALTH_MAX_DROPOUTS)
        channel->dropouts[channel->dropout_count] = *dropout;
    channel->dropout_count++;
}

/* Looks again at each place of a channel, in order. */
static bool judge_channel(const struct breaks *breaks, int c, struct breaks_judge *judge,
                          struct dirt *dirt, struct health_channel *channel,
                          struct problem *problem)
{
    const struct breaks_watch *watch = &breaks->watches[c];
    struct breaks_places places = {.channel = c};
    struct breaks_verdict verdict;
    int in_vain = 0;
    for (int i = 0; i < watch->place_count && in_vain < MOST_IN_VAIN; i++) {
        if (watch->places[i] < places.from ||
            is_gap(breaks->subject->capture, watch->places[i]))
            continue;
        places.frames = watch->places + i;
        places.count = watch->place_count - i;
        if (!breaks_judge_place(judge, &places, &verdict, problem))
            return false;
        in_vain++;
        if (!verdict.broken)
            continue;
        in_vain = 0;
        places.from = verdict.damage_end;
        report(&verdict.dropout, channel);
        add_dirt(dirt, verdict.damage_first, verdict.damage_end);
    }
    if (channel->dropout_count > 0 && watch->blind_from >= 0)
        add_dirt(dirt, watch->blind_from, INT64_MAX / 2);
    return true;
}

/* Adds a break in its order; one that is there already is told better by the reference.
 */
static void add_report(const struct health_dropout *dropout,
                       struct health_channel *channel)
{
    int64_t listed = channel->dropout_count < HEALTH_MAX_DROPOUTS ? channel->dropout_count
                                                                  : HEALTH_MAX_DROPOUTS;
    for (int i = 0; i < listed; i++)
        if (llabs(channel->dropouts[i].frame - dropout->frame) <= SAME_BREAK) {
            channel->dropouts[i] = *dropout;
            return;
        }
    int64_t at = listed < HEALTH_MAX_DROPOUTS ? listed : HEALTH_MAX_DROPOUTS - 1;
    channel->dropout_count++;
    if (listed == HEALTH_MAX_DROPOUTS && channel->dropouts[at].frame < dropout->frame)
        return;
    for (; at > 0 && channel->dropouts[at - 1].frame > dropout->frame; at--)
        channel->dropouts[at] = channel->dropouts[at - 1];
    channel->dropouts[at] = *dropout;
}

/* What the signal that was played tells of a channel. */
static bool compare_channel(const struct breaks *breaks, int c, struct dirt *dirt,
                            struct health_channel *channel, struct problem *problem)
{
    struct breaks_verdict *verdicts = malloc(MOST_BY_REFERENCE * sizeof *verdicts);
    struct breaks_found found = {verdicts, MOST_BY_REFERENCE, 0};
    bool good = verdicts ||
                problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                            "Not enough memory to compare with the signal; try again.");
    good = good && breaks_reference_end(breaks->reference, c, &found, problem);
    int told = good ? found.count : 0;
    for (int i = 0; i < told; i++)
        if (verdicts[i].broken &&
            !is_gap(breaks->subject->capture, verdicts[i].dropout.frame))
            add_report(&verdicts[i].dropout, channel);
    for (int i = 0; channel->dropout_count > 0 && i < told; i++)
        add_dirt(dirt, verdicts[i].damage_first, verdicts[i].damage_end);
    free(verdicts);
    return good;
}

static const char *words_of(enum health_break kind)
{
    static const char *const words[] = {"missing", "repeated", "zeroed"};
    return words[kind];
}

/* Adds to text[size]; what does not fit is cut off. */
static void describe(const struct health_dropout *dropout, double sample_rate_hz,
                     char *text, size_t size)
{
    size_t used = strlen(text);
    used += (size_t)snprintf(text + used, size - used, "%s at frame %lld (%.4f s)",
                             used > 0 ? "," : "", (long long)dropout->frame,
                             (double)dropout->frame / sample_rate_hz);
    if (used < size && dropout->length_frames >= 0)
        used += (size_t)snprintf(text + used, size - used, " %lld frames",
                                 (long long)dropout->length_frames);
    if (used < size)
        used +=
            (size_t)snprintf(text + used, size - used, " %s", words_of(dropout->kind));
    if (used < size && isfinite(dropout->phase_step_deg))
        snprintf(text + used, size - used, " (phase step %+.1f°)",
                 dropout->phase_step_deg);
}

static void warn(const struct breaks *breaks, int c, struct health *health)
{
    const struct health_channel *channel = &health->channels[c];
    int64_t count = channel->dropout_count;
    char text[240] = "";
    for (int i = 0; i < TOLD && i < count; i++)
        describe(&channel->dropouts[i], breaks->subject->format->sample_rate_hz, text,
                 sizeof text);
    health_warn(health, "dropout", c + 1,
                "%lld break%s in the signal:%s%s. Use a larger buffer, another USB port "
                "or hub and no sample-rate conversion, then record again.",
                (long long)count, count > 1 ? "s" : "", text, count > TOLD ? ", …" : "");
}

bool breaks_end(struct breaks *breaks, struct health *health, struct problem *problem)
{
    const struct health_subject *subject = breaks->subject;
    bool good = false;
    struct dirt *dirt = malloc(sizeof *dirt);
    struct breaks_judge *judge = breaks_judge_new(
        subject->capture, subject->request->cache, breaks->frames, problem);
    if (!dirt || !judge) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to look at breaks again; try again.");
        goto out;
    }
    for (int c = 0; c < breaks->channels; c++) {
        struct health_channel *channel = &health->channels[c];
        dirt->count = 0;
        add_gaps(subject->capture, dirt);
        if (!judge_channel(breaks, c, judge, dirt, channel, problem) ||
            (breaks->reference && !compare_channel(breaks, c, dirt, channel, problem)))
            goto out;
        channel->clean = longest_clean(dirt, breaks->frames);
        if (channel->dropout_count > 0)
            warn(breaks, c, health);
    }
    good = true;
out:
    breaks_judge_free(judge);
    free(dirt);
    return good;
}
