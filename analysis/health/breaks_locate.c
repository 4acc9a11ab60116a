#include "analysis/health/breaks_locate.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/kernels.h"

enum {
    FEWEST = 192,     /* samples that tell a place */
    LEVEL = 512,      /* of a hole that tell its level, at most */
    BESIDE = 16,      /* frames behind an edge that nothing trusts */
    GUARD = 64,       /* beside the damage: kept out too */
    CLOSE = 128,      /* the second look at an edge */
    MOST_IN_ONE = 64, /* breaks behind one suspicion */
    PIECE = BREAKS_MATCH_LONGEST,
};

static const double longest_hole_s = 0.25, longest_step_s = 1;
static const double restart_s = 0.02; /* so near its first frame a signal began anew */
static const double same_frames = 0.5, surely_same_frames = 0.25;

struct breaks_locate {
    struct breaks_locate_needs needs;
    int signal_channel;
    double rate_hz;
    struct breaks_edge_seeker *seeker;
    struct breaks_line line; /* holds from `trusted` on */
    int64_t trusted;
    bool known;
};

struct breaks_locate *breaks_locate_new(const struct breaks_locate_needs *needs,
                                        struct problem *problem)
{
    struct breaks_locate *locate = calloc(1, sizeof *locate);
    if (!locate) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "Not enough memory to locate breaks in noise; try again.");
        return NULL;
    }
    locate->needs = *needs;
    locate->rate_hz = capture_format(needs->capture)->sample_rate_hz;
    const struct breaks_edge_needs edge_needs = {needs->capture, needs->render,
                                                 (int)(longest_hole_s * locate->rate_hz) +
                                                     32 * needs->unit + 4 * CLOSE,
                                                 needs->unit / 2};
    locate->seeker = breaks_edge_seeker_new(&edge_needs, problem);
    if (locate->seeker)
        return locate;
    breaks_locate_free(locate);
    return NULL;
}

void breaks_locate_free(struct breaks_locate *locate)
{
    if (!locate)
        return;
    breaks_edge_seeker_free(locate->seeker);
    free(locate);
}

void breaks_locate_begin(struct breaks_locate *locate, int channel, int signal_channel)
{
    breaks_edge_channel(locate->seeker, channel, signal_channel);
    locate->signal_channel = signal_channel;
    locate->known = false;
    locate->trusted = 0;
}

bool breaks_locate_read(struct breaks_locate *locate, int64_t first, int count,
                        double *ret, int *ret_count, struct problem *problem)
{
    return breaks_edge_read(locate->seeker, first, count, ret, ret_count, problem);
}

/* Reads at most a piece and finds its place near what a line tells. */
static bool place_near(struct breaks_locate *locate, const struct breaks_line *line,
                       int64_t frame, int count, struct breaks_place *ret,
                       struct problem *problem)
{
    double samples[PIECE];
    struct breaks_piece piece = {samples, 0, locate->signal_channel};
    *ret = (struct breaks_place){.strength = 0};
    return breaks_locate_read(locate, frame, count, samples, &piece.count, problem) &&
           (piece.count < FEWEST ||
            breaks_match_near(locate->needs.match, &piece, breaks_line_at(line, frame), 4,
                              ret, problem));
}

struct stretch {
    int64_t frame;
    int count; /* at most PIECE */
};

/* Where the signal goes on in a stretch: on the one line, on the other, or farther off.
 */
static bool find_in(struct breaks_locate *locate, const struct breaks_line *before,
                    const struct breaks_line *other, struct stretch where, double least,
                    struct breaks_place *ret, struct problem *problem)
{
    double samples[PIECE];
    struct breaks_piece piece = {samples, 0, locate->signal_channel};
    struct breaks_match *match = locate->needs.match;
    *ret = (struct breaks_place){.strength = 0};
    if (!breaks_locate_read(locate, where.frame, where.count, samples, &piece.count,
                            problem))
        return false;
    if (piece.count < 4 * FEWEST)
        return true;
    least = fmax(least, 8 / sqrt(piece.count));
    double told = breaks_line_at(before, where.frame);
    if (!breaks_match_near(match, &piece, told, 4, ret, problem))
        return false;
    if (ret->strength < least && other &&
        !breaks_match_near(match, &piece, breaks_line_at(other, where.frame), 4, ret,
                           problem))
        return false;
    if (ret->strength < least &&
        !breaks_match_wide(match, &piece, llround(told) - BREAKS_MATCH_PLACES / 2, ret,
                           problem))
        return false;
    if (ret->strength < least)
        ret->strength = 0;
    return true;
}

/* The same, in a short stretch or else (much noise) in a long one; the rate of the clock
 * is that of `before`. */
static bool find_after(struct breaks_locate *locate, const struct breaks_line *before,
                       const struct breaks_line *other, int64_t frame, double strength,
                       struct breaks_line *ret, bool *ret_found, struct problem *problem)
{
    struct breaks_place place = {.strength = 0};
    int few = 16 * locate->needs.unit;
    for (int count = few < PIECE ? few : PIECE; place.strength <= 0 && count <= PIECE;
         count *= 4)
        if (!find_in(locate, before, other, (struct stretch){frame, count},
                     0.4 * strength, &place, problem))
            return false;
    *ret = (struct breaks_line){frame, place.position, before->rate};
    *ret_found = place.strength > 0;
    return true;
}

/* Frames that may hold breaks nobody could locate: no break, but not clean. */
static void leave(struct breaks_found *found, int64_t first, int64_t end)
{
    if (found->count < found->room)
        found->verdicts[found->count++] = (struct breaks_verdict){
            .broken = false, .damage_first = first, .damage_end = end};
}

static bool add(struct breaks_locate *locate, const struct breaks_edge *edge,
                struct breaks_found *found, struct problem *problem)
{
    int64_t step;
    if (!breaks_edge_step(locate->seeker, edge, &step, problem))
        return false;
    step = llround((double)step / (1 + edge->before.rate)); /* of the recorder's clock */
    double position = breaks_line_at(&edge->after, edge->k2);
    int64_t hole = edge->hole ? edge->k2 - edge->k1 : 0;
    if ((step == 0 && hole == 0) || found->count == found->room ||
        (double)llabs(step) > longest_step_s * locate->rate_hz ||
        (double)hole > longest_hole_s * locate->rate_hz ||
        position < restart_s * locate->rate_hz)
        return true;
    enum health_break kind = step > 0 ? HEALTH_MISSING : HEALTH_REPEATED;
    if (found->count == found->room - 1) {
        leave(found, edge->k1 - GUARD, INT64_MAX / 2);
        return true;
    }
    found->verdicts[found->count++] = (struct breaks_verdict){
        .broken = true,
        .dropout = {edge->k1, hole > 0 ? hole : llabs(step), NAN,
                    hole > 0 ? HEALTH_ZEROED : kind},
        .damage_first = edge->k1 - GUARD,
        .damage_end = edge->k2 + GUARD,
    };
    return true;
}

/* Looks twice, the second time from nearby, where clocks that differ have not yet moved
 * the one against the other. */
static bool settle(struct breaks_locate *locate, struct breaks_edge *edge,
                   struct breaks_found *found, struct problem *problem)
{
    edge->trusted = locate->trusted;
    if (!breaks_edge_seek(locate->seeker, edge, problem))
        return false;
    if (edge->looked) {
        edge->first = edge->k1 - CLOSE;
        edge->end = edge->k2 + CLOSE;
        if (!breaks_edge_seek(locate->seeker, edge, problem))
            return false;
    }
    if (edge->valid && !add(locate, edge, found, problem))
        return false;
    if (!edge->valid)
        leave(found, edge->first, edge->end);
    locate->line = edge->after;
    locate->trusted = (edge->valid ? edge->k2 : edge->end) + BESIDE;
    locate->known = true;
    return true;
}

/* Halves from … to until the line holds at *ret_low and no more at *ret_high. */
static bool find_end(struct breaks_locate *locate, struct breaks_line *line, int64_t to,
                     int window, double *ret_strength, int64_t *ret_low,
                     int64_t *ret_high, struct problem *problem)
{
    int64_t low = line->frame > locate->trusted ? line->frame : locate->trusted;
    int64_t high = to;
    struct breaks_place place;
    if (!place_near(locate, line, low, window, &place, problem))
        return false;
    double strength = place.strength;
    while (high - low > window) {
        int64_t middle = low + (high - low) / 2;
        if (!place_near(locate, line, middle, window, &place, problem))
            return false;
        double away = place.position - breaks_line_at(line, middle);
        if (place.strength >= 0.5 * strength && fabs(away) < same_frames) {
            low = middle;
            if (fabs(away) < surely_same_frames) { /* else half of it may lie behind */
                line->frame = middle;
                line->position = place.position;
            }
        } else {
            high = middle;
        }
    }
    *ret_strength = strength;
    *ret_low = low;
    *ret_high = high;
    return true;
}

static bool locate_steps(struct breaks_locate *locate,
                         const struct breaks_suspect *suspect, struct breaks_line line,
                         struct breaks_found *found, struct problem *problem)
{
    int window = 8 * locate->needs.unit;
    for (int i = 0; i < MOST_IN_ONE && found->count < found->room; i++) {
        struct breaks_edge edge = {.level = 0};
        double strength, away = breaks_line_at(&line, suspect->to) -
                                breaks_line_at(&suspect->after, suspect->to);
        bool goes_on;
        if (fabs(away) < same_frames || suspect->to < locate->trusted)
            return true;
        if (!find_end(locate, &line, suspect->to, window, &strength, &edge.first,
                      &edge.end, problem))
            return false;
        edge.before = line;
        edge.end += window;
        if (!find_after(locate, &line, &suspect->after, edge.end, strength, &edge.after,
                        &goes_on, problem))
            return false;
        if (!goes_on)
            break;
        if (!settle(locate, &edge, found, problem))
            return false;
        line = locate->line;
    }
    leave(found, locate->trusted, suspect->to);
    return true;
}

/* The line that holds just before a hole, where steps may lie before it. */
static bool reach_hole(struct breaks_locate *locate, const struct breaks_suspect *suspect,
                       struct breaks_line *line, struct breaks_found *found,
                       struct problem *problem)
{
    int unit = locate->needs.unit, count = 16 * unit < PIECE ? 16 * unit : PIECE;
    const struct stretch where = {suspect->hole_first - unit - count, count};
    struct breaks_suspect steps = {.before = *line, .to = where.frame};
    struct breaks_place place;
    if (where.frame < locate->trusted || where.frame < line->frame)
        return true;
    if (!find_in(locate, line, NULL, where, 0, &place, problem))
        return false;
    if (place.strength <= 0)
        return true;
    steps.after = (struct breaks_line){where.frame, place.position, line->rate};
    if (!locate_steps(locate, &steps, *line, found, problem))
        return false;
    *line = steps.after;
    return true;
}

static bool locate_hole(struct breaks_locate *locate,
                        const struct breaks_suspect *suspect, struct breaks_line line,
                        struct breaks_found *found, struct problem *problem)
{
    double level[LEVEL];
    int unit = locate->needs.unit, count;
    struct breaks_edge edge = {.first = suspect->hole_first - unit,
                               .end = suspect->hole_end + unit};
    bool goes_on;
    int middle = (int)(suspect->hole_end - suspect->hole_first);
    middle = middle < LEVEL ? middle : LEVEL;
    if (edge.first < locate->trusted)
        return true;
    if (!reach_hole(locate, suspect, &line, found, problem) ||
        !breaks_locate_read(locate, suspect->hole_first, middle, level, &count,
                            problem) ||
        !find_after(locate, &line, NULL, edge.end, 0, &edge.after, &goes_on, problem))
        return false;
    if (!goes_on || count == 0)
        return true;
    edge.before = line;
    edge.level = kernels_sum(level, count) / count;
    return settle(locate, &edge, found, problem);
}

bool breaks_locate_suspect(struct breaks_locate *locate,
                           const struct breaks_suspect *suspect,
                           struct breaks_found *found, struct problem *problem)
{
    struct breaks_line line = suspect->before;
    if (locate->known && line.frame < locate->trusted)
        line = locate->line;
    if (suspect->hole)
        return locate_hole(locate, suspect, line, found, problem);
    return locate_steps(locate, suspect, line, found, problem);
}
