#include "analysis/health/breaks_reference.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/kernels.h"
#include "analysis/health/breaks_follow.h"

enum {
    UNIT = 64, /* frames at up to 96 kHz that a hole is told by */
    MOST_UNIT = 512,
    AFTER_START = 1024, /* frames of the signal that the head's piece leaves out */
};

static const double unit_rate_hz = 96000;
static const double quiet = 0.02; /* of the usual power */
static const double longest_hole_s = 0.25;

struct listener {
    struct breaks_follow follow;
    double piece[BREAKS_FOLLOW_PIECE];
    int held;
    int64_t hole_first; /* −1: none */
};

struct breaks_reference {
    const struct health_subject *subject;
    struct breaks_render *render;
    struct breaks_match *match;
    struct breaks_locate *locate;
    int unit, channels;
    int64_t frames;
    bool hinted;
    struct breaks_line hint;
    struct listener *listeners; /* [channels] */
};

static bool applies(const struct health_subject *subject)
{
    const struct health_request *request = subject->request;
    return request->signal && request->signal->pass_over && request->parameters &&
           signal_form(request->parameters).sample_rate_hz ==
               subject->format->sample_rate_hz;
}

bool breaks_reference_new(const struct health_subject *subject,
                          struct breaks_reference **ret, struct problem *problem)
{
    const struct health_request *request = subject->request;
    *ret = NULL;
    if (!applies(subject))
        return true;
    struct breaks_reference *reference = calloc(1, sizeof *reference);
    if (!reference)
        goto no_memory;
    reference->subject = subject;
    reference->channels = subject->format->channels;
    reference->unit = UNIT;
    while (reference->unit < MOST_UNIT &&
           reference->unit * unit_rate_hz < UNIT * subject->format->sample_rate_hz)
        reference->unit *= 2;
    reference->listeners =
        calloc((size_t)reference->channels, sizeof *reference->listeners);
    if (!reference->listeners)
        goto no_memory;
    reference->render = breaks_render_new(request->signal, request->parameters, problem);
    if (reference->render)
        reference->match = breaks_match_new(request->cache, reference->render, problem);
    if (!reference->match) {
        breaks_reference_free(reference);
        return false;
    }
    for (int c = 0; c < reference->channels; c++) {
        breaks_follow_start(&reference->listeners[c].follow,
                            subject->format->sample_rate_hz,
                            breaks_render_channel(reference->render, c));
        reference->listeners[c].hole_first = -1;
    }
    *ret = reference;
    return true;
no_memory:
    breaks_reference_free(reference);
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to compare %d channels with the signal; try "
                       "again.",
                       subject->format->channels);
}

void breaks_reference_free(struct breaks_reference *reference)
{
    if (!reference)
        return;
    breaks_locate_free(reference->locate);
    breaks_match_free(reference->match);
    breaks_render_free(reference->render);
    free(reference->listeners);
    free(reference);
}

/* Samples of one value, as far as some of them tell. */
static bool is_held(const double *x, int count)
{
    enum { SOME = 8 };
    for (int n = 1; n < SOME; n++)
        if (fabs(x[n * (count - 1) / (SOME - 1)] - x[0]) > 0)
            return false;
    return true;
}

/* Notes where all is quiet for some units, and then loud again. */
static void listen(const struct breaks_reference *reference, struct listener *listener,
                   const double *x, int count, int64_t first_frame)
{
    int unit = reference->unit;
    double bound = quiet * listener->follow.power * unit;
    int64_t longest =
        (int64_t)(longest_hole_s * reference->subject->format->sample_rate_hz);
    for (int n = 0; n + unit <= count; n += unit) {
        int64_t frame = first_frame + n;
        bool is_quiet =
            kernels_weighted_sum(x + n, x + n, unit) < bound || is_held(x + n, unit);
        if (is_quiet && listener->hole_first < 0)
            listener->hole_first = frame;
        if (is_quiet || listener->hole_first < 0)
            continue;
        if (frame - listener->hole_first <= longest &&
            listener->hole_first > listener->follow.line.frame)
            breaks_follow_suspect_hole(&listener->follow, listener->hole_first, frame);
        listener->hole_first = -1;
    }
}

static bool take_piece(struct breaks_reference *reference, struct listener *listener,
                       struct problem *problem)
{
    struct breaks_follow *follow = &listener->follow;
    const struct breaks_follow_needs needs = {
        reference->match, reference->render, reference->hinted ? &reference->hint : NULL};
    bool before = follow->following;
    if (!breaks_follow_piece(follow, &needs, listener->piece, problem))
        return false;
    if (follow->following) {
        reference->hinted = true;
        reference->hint = follow->line;
    }
    if (!before || !follow->following)
        listener->hole_first = -1;
    return true;
}

static bool feed(struct breaks_reference *reference, struct listener *listener,
                 const double *x, int count, int64_t first_frame, struct problem *problem)
{
    if (listener->follow.following)
        listen(reference, listener, x, count, first_frame);
    for (int n = 0; n < count && listener->follow.signal_channel >= 0;) {
        int64_t ahead = listener->follow.next + listener->held - (first_frame + n);
        if (ahead >= count - n)
            break;
        n += (int)ahead;
        int some = BREAKS_FOLLOW_PIECE - listener->held;
        some = some < count - n ? some : count - n;
        memcpy(listener->piece + listener->held, x + n, (size_t)some * sizeof *x);
        listener->held += some;
        n += some;
        if (listener->held < BREAKS_FOLLOW_PIECE)
            break;
        listener->held = 0;
        if (!take_piece(reference, listener, problem))
            return false;
    }
    return true;
}

bool breaks_reference_feed(struct breaks_reference *reference,
                           const struct health_block *block, struct problem *problem)
{
    reference->frames = block->first_frame + block->count;
    for (int c = 0; c < reference->channels; c++)
        if (!feed(reference, &reference->listeners[c], block->samples[c], block->count,
                  block->first_frame, problem))
            return false;
    return true;
}

static bool begin_locating(struct breaks_reference *reference, int channel,
                           struct problem *problem)
{
    if (!reference->locate) {
        const struct breaks_locate_needs needs = {reference->subject->capture,
                                                  reference->render, reference->match,
                                                  reference->unit};
        reference->locate = breaks_locate_new(&needs, problem);
    }
    if (!reference->locate)
        return false;
    breaks_locate_begin(reference->locate, channel,
                        reference->listeners[channel].follow.signal_channel);
    return true;
}

/* Where the signal was followed to, up to the end of the recording: the last frames made
 * no whole piece at their turn. */
static bool take_tail(struct breaks_reference *reference, struct listener *listener,
                      struct problem *problem)
{
    struct breaks_follow *follow = &listener->follow;
    int64_t last = reference->frames - BREAKS_FOLLOW_PIECE;
    int count;
    if (!follow->following || last <= follow->line.frame)
        return true;
    follow->next = last;
    return breaks_locate_read(reference->locate, last, BREAKS_FOLLOW_PIECE,
                              listener->piece, &count, problem) &&
           (count < BREAKS_FOLLOW_PIECE || take_piece(reference, listener, problem));
}

/* Where the signal began, before it was found. */
static bool take_head(struct breaks_reference *reference, struct listener *listener,
                      struct problem *problem)
{
    struct breaks_follow *follow = &listener->follow;
    double position = follow->first.position;
    int64_t start = follow->first.frame - (int64_t)position;
    struct breaks_line line = {(start > 0 ? start : 0) + AFTER_START, 0, 0};
    struct breaks_piece piece = {listener->piece, 0, follow->signal_channel};
    struct breaks_place place;
    if (line.frame + BREAKS_FOLLOW_PIECE > follow->first.frame)
        return true;
    double told = breaks_line_at(&follow->first, line.frame);
    if (!breaks_locate_read(reference->locate, line.frame, BREAKS_FOLLOW_PIECE,
                            listener->piece, &piece.count, problem) ||
        !breaks_match_wide(reference->match, &piece,
                           llround(told) - BREAKS_MATCH_PLACES / 2, &place, problem))
        return false;
    line.position = place.position;
    if (place.strength >= 0.5 * follow->strength && fabs(place.position - told) > 30)
        breaks_follow_suspect_head(follow, &line);
    return true;
}

bool breaks_reference_end(struct breaks_reference *reference, int channel,
                          struct breaks_found *found, struct problem *problem)
{
    struct listener *listener = &reference->listeners[channel];
    struct breaks_follow *follow = &listener->follow;
    if (follow->signal_channel < 0 || !follow->ever)
        return true;
    if (!begin_locating(reference, channel, problem) ||
        !take_tail(reference, listener, problem) ||
        !take_head(reference, listener, problem))
        return false;
    for (int i = 0; i < follow->suspect_count; i++)
        if (!breaks_locate_suspect(reference->locate, &follow->suspects[i], found,
                                   problem))
            return false;
    if (follow->suspect_count == BREAKS_FOLLOW_SUSPECTS && found->count < found->room)
        found->verdicts[found->count++] = (struct breaks_verdict){
            .damage_first = follow->suspects[BREAKS_FOLLOW_SUSPECTS - 1].from,
            .damage_end = INT64_MAX / 2};
    return true;
}
