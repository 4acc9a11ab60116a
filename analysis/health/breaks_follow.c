#include "analysis/health/breaks_follow.h"

#include <math.h>
#include <string.h>

#include "analysis/dsp/kernels.h"
#include "analysis/dsp/predict.h"

enum {
    PIECE = BREAKS_FOLLOW_PIECE,
    SHORT = 2048,  /* of it, where the place is as told */
    EVERY = 65536, /* frames between pieces */
    SEEK_EVERY = 8192,
    LEARNING = 3, /* pieces until the clock is known, */
    LEARNT = 5,   /* and until it is known well */
    REACH = 4,
    REACH_LEARNING = 16,
    MOST_MISSED = 4,
    LOOK_FAR_AFTER = 1, /* that were missed */
    MOST_TRIES = 12,    /* to find the signal at all */
    BEFORE_END = 64,    /* frames before the end of the signal, not looked at */
};

static const double certain = 10; /* times the rms of chance: found anywhere */
static const double likely = 6;   /* found where it should be */
static const double as_usual = 0.4;
static const double most_ratio = 600e-6; /* between two clocks */
static const double same_frames = 0.5;
static const double farthest_s = 1;      /* that a step is sought */
static const double earliest_s = 3;      /* that a signal began before the recording */
static const double least_power = 1e-14; /* −140 dB: silence */
static const double predictable = 0.1;   /* as breaks_watch */

void breaks_follow_start(struct breaks_follow *follow, double rate_hz, int signal_channel)
{
    *follow = (struct breaks_follow){.rate_hz = rate_hz,
                                     .signal_channel = signal_channel,
                                     .patience = (int64_t)(2 * rate_hz)};
}

static void suspect(struct breaks_follow *follow, const struct breaks_suspect *suspect)
{
    if (follow->suspect_count < BREAKS_FOLLOW_SUSPECTS)
        follow->suspects[follow->suspect_count++] = *suspect;
}

void breaks_follow_suspect_head(struct breaks_follow *follow,
                                const struct breaks_line *line)
{
    const struct breaks_suspect head = {.before = *line,
                                        .after = follow->first,
                                        .from = line->frame,
                                        .to = follow->first.frame + PIECE};
    if (follow->suspect_count == BREAKS_FOLLOW_SUSPECTS)
        follow->suspect_count--;
    memmove(follow->suspects + 1, follow->suspects,
            (size_t)follow->suspect_count * sizeof head);
    follow->suspects[0] = head;
    follow->suspect_count++;
}

void breaks_follow_suspect_hole(struct breaks_follow *follow, int64_t first, int64_t end)
{
    suspect(follow, &(struct breaks_suspect){.before = follow->line,
                                             .from = follow->line.frame,
                                             .hole = true,
                                             .hole_first = first,
                                             .hole_end = end});
}

static double power_of(const double *samples)
{
    double mean = kernels_sum(samples, PIECE) / PIECE;
    return kernels_weighted_sum(samples, samples, PIECE) / PIECE - mean * mean;
}

/* Gives a channel up where neighbours tell each sample of the signal from a position on.
 */
static bool give_up_predictable(struct breaks_follow *follow,
                                const struct breaks_follow_needs *needs, double position,
                                struct problem *problem)
{
    double signal[SHORT];
    struct predict predict;
    if (!breaks_render_take(needs->render, follow->signal_channel, llround(position),
                            SHORT, signal, problem))
        return false;
    double rms = sqrt(kernels_weighted_sum(signal, signal, SHORT) / SHORT);
    if (predict_train(signal, SHORT, PREDICT_LONG, &predict) &&
        predict.rms <= predictable * rms)
        follow->signal_channel = -1;
    return true;
}

static void lose(struct breaks_follow *follow)
{
    follow->following = false;
    follow->vain_power = follow->power / 8;
    follow->retry = INT64_MAX;
    follow->tries = 0;
}

/* The place is known from here on. */
static bool begin(struct breaks_follow *follow, const struct breaks_follow_needs *needs,
                  const struct breaks_place *place, double power, struct problem *problem)
{
    if (!give_up_predictable(follow, needs, fmax(place->position, 0), problem))
        return false;
    if (follow->signal_channel < 0)
        return true;
    follow->line = (struct breaks_line){follow->next, place->position, 0};
    follow->begun = follow->line;
    if (!follow->ever)
        follow->first = follow->line;
    follow->ever = follow->following = true;
    follow->learnt = follow->missed = 0;
    follow->strength = place->strength;
    follow->power = power;
    follow->next += PIECE;
    return true;
}

/* Seeks a piece in all of the signal that may have been played until then. */
static bool seek(struct breaks_follow *follow, const struct breaks_follow_needs *needs,
                 const double *samples, struct problem *problem)
{
    const double least = certain / sqrt(PIECE);
    struct breaks_piece piece = {samples, PIECE, follow->signal_channel};
    struct breaks_place place = {.strength = 0};
    double power = power_of(samples);
    int64_t end = breaks_render_frames(needs->render),
            latest = EVERY +
                     (int64_t)((follow->tries == 0 ? earliest_s : 1) * follow->rate_hz);
    bool louder = power > 4 * follow->vain_power;
    bool try = power > least_power && follow->tries < MOST_TRIES &&
               (louder || follow->next >= follow->retry);
    if (try && follow->tries == 0 && !give_up_predictable(follow, needs, 0, problem))
        return false;
    if (follow->signal_channel < 0)
        return true;
    if (needs->hint && try) {
        int64_t told = llround(breaks_line_at(needs->hint, follow->next));
        if (!breaks_match_wide(needs->match, &piece, told - BREAKS_MATCH_PLACES / 2,
                               &place, problem))
            return false;
    }
    for (int64_t first = -PIECE;
         try && place.strength < least && first < end && first < latest;
         first += BREAKS_MATCH_PLACES)
        if (!breaks_match_wide(needs->match, &piece, first, &place, problem))
            return false;
    if (place.strength >= least)
        return begin(follow, needs, &place, power, problem);
    if (try) {
        follow->tries++;
        follow->vain_power = fmax(follow->vain_power, power);
        follow->retry = follow->next + follow->patience;
        follow->patience *= 4;
    }
    follow->next += SEEK_EVERY;
    return true;
}

/* The next piece, and one just before the signal ends. */
static void schedule(struct breaks_follow *follow, int64_t end)
{
    static const int first_steps[LEARNT] = {PIECE, 2 * PIECE, 4 * PIECE, 8 * PIECE,
                                            8 * PIECE};
    int64_t frame = follow->next;
    int64_t step = follow->learnt < LEARNT ? first_steps[follow->learnt] : EVERY;
    int64_t left = (int64_t)((double)(end - PIECE - BEFORE_END) -
                             breaks_line_at(&follow->line, frame));
    follow->next = frame + (left >= PIECE && left < step ? left : step);
}

/* The place is where it should be. */
static void go_on(struct breaks_follow *follow, const struct breaks_place *place,
                  double away, double power)
{
    double since = (double)(follow->next - follow->line.frame);
    struct breaks_line line = {follow->next, place->position, follow->line.rate};
    if (follow->learnt < LEARNT)
        line.rate = (line.position - follow->begun.position) /
                        (double)(line.frame - follow->begun.frame) -
                    1;
    else
        line.rate += 0.25 * away / since;
    follow->line = line;
    follow->learnt++;
    follow->missed = 0;
    follow->strength += 0.25 * (place->strength - follow->strength);
    follow->power += 0.25 * (power - follow->power);
}

/* It is elsewhere: in between there may be a break. */
static void leap(struct breaks_follow *follow, const struct breaks_place *place)
{
    const struct breaks_line line = {follow->next, place->position, follow->line.rate};
    suspect(follow, &(struct breaks_suspect){.before = follow->line,
                                             .after = line,
                                             .from = follow->line.frame,
                                             .to = follow->next + PIECE});
    follow->line = follow->begun = line;
    follow->missed = 0;
    if (follow->learnt < LEARNING)
        follow->learnt = 0;
}

/* Looks as far as frames may be missing. */
static bool seek_far(const struct breaks_follow *follow,
                     const struct breaks_follow_needs *needs,
                     const struct breaks_piece *piece, double told, double least,
                     struct breaks_place *ret, struct problem *problem)
{
    int64_t last = llround(told + farthest_s * follow->rate_hz);
    int64_t first = llround(told - farthest_s * follow->rate_hz);
    for (ret->strength = 0; first < last && ret->strength < least;
         first += BREAKS_MATCH_PLACES)
        if (!breaks_match_wide(needs->match, piece, first, ret, problem))
            return false;
    return true;
}

static bool compare(struct breaks_follow *follow, const struct breaks_follow_needs *needs,
                    const double *samples, struct problem *problem)
{
    struct breaks_piece piece = {samples, SHORT, follow->signal_channel};
    struct breaks_place place;
    bool learning = follow->learnt < LEARNING;
    double told = breaks_line_at(&follow->line, follow->next);
    double since = (double)(follow->next - follow->line.frame);
    double most = same_frames + (learning ? most_ratio * since : 0);
    double least = as_usual * follow->strength;
    if (!breaks_match_near(needs->match, &piece, told, learning ? REACH_LEARNING : REACH,
                           &place, problem))
        return false;
    bool found = place.strength >= fmax(least, likely / sqrt(SHORT));
    if (!found) {
        piece.count = PIECE;
        if (!breaks_match_wide(needs->match, &piece,
                               llround(told) - BREAKS_MATCH_PLACES / 2, &place, problem))
            return false;
        least = fmax(least, certain / sqrt(PIECE));
        found = place.strength >= least;
    }
    if (!found && follow->missed == LOOK_FAR_AFTER) {
        if (!seek_far(follow, needs, &piece, told, least, &place, problem))
            return false;
        found = place.strength >= least;
    }
    double away = place.position - told;
    if (found && fabs(away) <= most)
        go_on(follow, &place, away, power_of(samples));
    else if (found)
        leap(follow, &place);
    else if (++follow->missed > MOST_MISSED)
        lose(follow);
    if (found)
        schedule(follow, breaks_render_frames(needs->render));
    else
        follow->next += SEEK_EVERY;
    return true;
}

bool breaks_follow_piece(struct breaks_follow *follow,
                         const struct breaks_follow_needs *needs, const double *samples,
                         struct problem *problem)
{
    if (!follow->following)
        return seek(follow, needs, samples, problem);
    double told = breaks_line_at(&follow->line, follow->next);
    if (told + PIECE <= (double)breaks_render_frames(needs->render))
        return compare(follow, needs, samples, problem);
    lose(follow);
    follow->next += PIECE;
    return true;
}
