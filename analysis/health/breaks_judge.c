#include "analysis/health/breaks_judge.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/capture/excerpt.h"
#include "analysis/health/breaks_hole.h"
#include "analysis/health/breaks_scene.h"
#include "analysis/health/breaks_sides.h"

enum {
    NEAR = BREAKS_SCENE_NEAR,
    LEAST_REACH = 32768, /* for copies of long buffers */
    GUARD = 32,          /* frames beside the damage that are kept out too */
    SMEARED = 512,       /* frames over which a filter may smear a break */
    EDGES = 4,           /* places in a row that may be one break */
    ALIKE = 32, /* pauses of a pattern differ by less than a 32nd: tones end anywhere */
};

static const double fit_s = 0.17;             /* beside a place: three periods of 20 Hz */
static const double longest_hole_s = 0.25;    /* longer ones are pauses */
static const double surely_no_pause_s = 0.05; /* holes up to here need no sharp edges */
static const double noisy_hole_s = 0.025;     /* what is left in it is noise, no zeros */
static const int pattern_reach = 4; /* lengths of a pause, with the next of a pattern */
static const double least_step = 3 * M_PI / 180;
static const double sigmas = 6;
static const double spoilt = 0.01; /* rest re amplitude */

struct breaks_judge {
    struct capture *capture;
    struct fft_cache *cache;
    const struct capture_format *format;
    int64_t frames;
    int reach, fit;            /* read, and fitted to, on either side */
    double *near, *behind;     /* [2·reach], [reach] */
    struct breaks_scene scene; /* of near */
    int64_t first;             /* frame of near[0] */
    const struct breaks_places *places;
};

struct breaks_judge *breaks_judge_new(struct capture *capture, struct fft_cache *cache,
                                      int64_t frames, struct problem *problem)
{
    struct breaks_judge *judge = calloc(1, sizeof *judge);
    const struct capture_format *format = capture_format(capture);
    int fit = 1024;
    while (fit < fit_s * format->sample_rate_hz)
        fit *= 2;
    int reach = (fit > LEAST_REACH ? fit : LEAST_REACH) + 4 * SMEARED;
    if (judge) {
        *judge = (struct breaks_judge){.capture = capture,
                                       .cache = cache,
                                       .format = format,
                                       .frames = frames,
                                       .reach = reach,
                                       .fit = fit};
        judge->near = malloc(2 * (size_t)reach * sizeof *judge->near);
        judge->behind = malloc((size_t)reach * sizeof *judge->behind);
    }
    if (judge && judge->near && judge->behind)
        return judge;
    breaks_judge_free(judge);
    problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                "Not enough memory to look at a break again; try again.");
    return NULL;
}

void breaks_judge_free(struct breaks_judge *judge)
{
    if (!judge)
        return;
    free(judge->near);
    free(judge->behind);
    free(judge);
}

static bool read(struct breaks_judge *judge, int64_t first, int count, double *ret,
                 int *ret_count, struct problem *problem)
{
    const struct excerpt excerpt = {judge->places->channel, first, count};
    return excerpt_read(judge->capture, &excerpt, ret, ret_count, problem);
}

static bool look(struct breaks_judge *judge, struct problem *problem)
{
    int64_t place = judge->places->frames[0], first = place - judge->reach;
    first = first < judge->places->from ? judge->places->from : first;
    int count;
    if (!read(judge, first, (int)(place - first) + judge->reach, judge->near, &count,
              problem))
        return false;
    judge->first = first;
    judge->scene = (struct breaks_scene){judge->near, count, (int)(place - first)};
    return true;
}

/* Fits both sides. */
static bool take_sides(struct breaks_judge *judge, int64_t edge, int64_t next,
                       struct breaks_sides *ret, struct problem *problem)
{
    int before = (int)(edge - judge->first), behind;
    *ret = (struct breaks_sides){.edges = {edge, next}};
    if (before < 0)
        before = 0;
    int some = before < judge->fit ? before : judge->fit;
    ret->before = (struct breaks_side){judge->near + before - some, some, true};
    int64_t at = next - judge->first;
    if (at + judge->fit <= judge->scene.count) {
        ret->after = (struct breaks_side){judge->near + at, judge->fit, false};
    } else {
        if (!read(judge, next, judge->fit, judge->behind, &behind, problem))
            return false;
        ret->after = (struct breaks_side){judge->behind, behind, false};
    }
    return breaks_tone_fit(judge->cache, &ret->before, &ret->tones[0], problem) &&
           breaks_tone_fit(judge->cache, &ret->after, &ret->tones[1], problem);
}

/* The frame from which on the later tone explains the samples better than the earlier. */
static int64_t handover(const struct breaks_judge *judge,
                        const struct breaks_sides *sides)
{
    int64_t best = sides->edges[0];
    double gain = 0, most = 0; /* of the earlier tone over the later, up to here */
    for (int64_t frame = sides->edges[0]; frame < sides->edges[1]; frame++) {
        double x = judge->near[frame - judge->first];
        double earlier = x - breaks_sides_before_at(sides, frame),
               later = x - breaks_sides_after_at(sides, frame);
        gain += later * later - earlier * earlier;
        if (gain > most) {
            most = gain;
            best = frame + 1;
        }
    }
    return best;
}

static void guard(struct breaks_verdict *verdict, int64_t first, int64_t end)
{
    verdict->damage_first = first - GUARD;
    verdict->damage_end = end + GUARD;
}

/* Widens the damage to all frames nearby that neither tone explains. */
static void measure_damage(const struct breaks_judge *judge,
                           const struct breaks_sides *sides, int64_t frame, int64_t end,
                           struct breaks_verdict *verdict)
{
    int64_t from = frame - SMEARED < judge->first ? judge->first : frame - SMEARED;
    int64_t to = end + SMEARED, last = judge->first + judge->scene.count, first = frame;
    for (int64_t n = frame; n-- > from;)
        if (!breaks_sides_before_explains(sides, n, judge->near[n - judge->first]))
            first = n;
    int64_t until = end;
    for (int64_t n = end; n < to && n < last; n++)
        if (!breaks_sides_after_explains(sides, n, judge->near[n - judge->first]))
            until = n + 1;
    guard(verdict, first, until);
}

static void tell_hole(int64_t first, int64_t end, const struct breaks_sides *sides,
                      enum breaks_relation relation, struct breaks_verdict *ret)
{
    ret->broken = true;
    ret->dropout = (struct health_dropout){
        first, end - first,
        relation == BREAKS_SAME_TONE ? breaks_sides_step(sides, end) * 180 / M_PI : NAN,
        HEALTH_ZEROED};
    guard(ret, first, end);
}

/* Phase and frame of a break in one tone, or one sweep. */
static void judge_tone(const struct breaks_judge *judge, const struct breaks_sides *sides,
                       enum breaks_relation relation, struct breaks_verdict *ret)
{
    const struct breaks_tone *b = &sides->tones[0], *a = &sides->tones[1];
    int64_t frame = handover(judge, sides);
    double step = breaks_sides_step(sides, frame);
    double apart = (double)(sides->edges[1] - sides->edges[0]);
    double sigma = b->phase_sigma + a->phase_sigma +
                   2 * M_PI * apart * (b->cycles_sigma + a->cycles_sigma) +
                   0.01 * (b->rest / b->amplitude + a->rest / a->amplitude);
    double least = relation == BREAKS_SAME_TONE ? least_step : 5 * least_step;
    if (fabs(step) < least || fabs(step) < sigmas * sigma)
        return;
    ret->broken = true;
    ret->dropout = (struct health_dropout){
        .frame = frame,
        .length_frames = -1,
        .phase_step_deg = relation == BREAKS_SAME_TONE ? step * 180 / M_PI : NAN,
        .kind = HEALTH_MISSING,
    };
    measure_damage(judge, sides, frame, frame, ret);
}

/* Whether a fit has met more than noise, as where its edge lies within the damage. */
static bool is_spoilt(const struct breaks_sides *sides)
{
    return sides->tones[0].rest > spoilt * sides->tones[0].amplitude ||
           sides->tones[1].rest > spoilt * sides->tones[1].amplitude;
}

/* A stretch of a tone, or a sweep, where only noise is left: *ret_quiet, and a break but
 * where it is one of a pattern. The edges may lie within it: they are moved away. */
static bool judge_noisy_hole(struct breaks_judge *judge, const struct breaks_sides *sides,
                             bool *ret_quiet, struct breaks_verdict *ret,
                             struct problem *problem)
{
    struct breaks_sides wider = *sides;
    struct breaks_stretch hole;
    bool whole = false;
    *ret_quiet = breaks_hole_find(sides, &judge->scene, judge->first, &hole);
    bool looking = *ret_quiet || is_spoilt(sides);
    for (int margin = NEAR; looking && !whole && margin <= 8 * NEAR; margin *= 2) {
        if (!take_sides(judge, sides->edges[0] - margin, sides->edges[1] + margin, &wider,
                        problem))
            return false;
        *ret_quiet = breaks_hole_find(&wider, &judge->scene, judge->first, &hole);
        whole = *ret_quiet && !is_spoilt(&wider) &&
                judge->first + hole.first > wider.edges[0] &&
                judge->first + hole.end < wider.edges[1];
    }
    if (*ret_quiet && !breaks_hole_recurs(&wider, &judge->scene, &hole))
        tell_hole(judge->first + hole.first, judge->first + hole.end, &wider,
                  breaks_sides_relation(&wider), ret);
    return true;
}

/* Frames missing: as many places as belong together, in a tone or a sweep; or the one in
 * what many tones make. */
static bool judge_missing(struct breaks_judge *judge, struct breaks_verdict *ret,
                          struct problem *problem)
{
    const struct breaks_places *places = judge->places;
    int64_t longest = (int64_t)(noisy_hole_s * judge->format->sample_rate_hz);
    longest = longest > 4 * SMEARED ? longest : 4 * SMEARED;
    struct breaks_stretch tear;
    struct breaks_sides sides;
    bool quiet;
    for (int i = 0; i < EDGES && i < places->count; i++) {
        if (places->frames[i] - places->frames[0] > longest)
            break;
        if (!take_sides(judge, places->frames[0] - NEAR, places->frames[i] + NEAR, &sides,
                        problem))
            return false;
        enum breaks_relation relation = breaks_sides_relation(&sides);
        if (relation == BREAKS_SAME_TONE || relation == BREAKS_SAME_SWEEP) {
            if (!judge_noisy_hole(judge, &sides, &quiet, ret, problem))
                return false;
            if (!quiet)
                judge_tone(judge, &sides, relation, ret);
            if (quiet || ret->broken || !is_spoilt(&sides))
                return true;
        }
        if (i == 0 && relation == BREAKS_UNKNOWN &&
            breaks_scene_goes_on(&sides.before, &sides.after) &&
            breaks_scene_torn(&judge->scene, judge->fit, &tear)) {
            int64_t first = judge->first + tear.first, end = judge->first + tear.end;
            ret->broken = true;
            ret->dropout =
                (struct health_dropout){(first + end) / 2, -1, NAN, HEALTH_MISSING};
            guard(ret, first, end);
            return true;
        }
    }
    return true;
}

static bool judge_copy(struct breaks_judge *judge, const struct breaks_stretch *copy,
                       struct breaks_verdict *ret, struct problem *problem)
{
    struct breaks_sides sides;
    int64_t first = judge->first + copy->first, end = judge->first + copy->end;
    if (!take_sides(judge, first, end, &sides, problem))
        return false;
    bool tone = breaks_sides_relation(&sides) == BREAKS_SAME_TONE;
    ret->broken = true;
    ret->dropout = (struct health_dropout){
        first, end - first, tone ? breaks_sides_step(&sides, end) * 180 / M_PI : NAN,
        HEALTH_REPEATED};
    guard(ret, first, end);
    return true;
}

/* Follows a run of one value to its end, at most a second behind what was read. */
static bool run_end(struct breaks_judge *judge, struct breaks_stretch run, int64_t *ret,
                    struct problem *problem)
{
    int64_t end = judge->first + run.end;
    double value = judge->near[run.first];
    int longest = (int)(longest_hole_s * judge->format->sample_rate_hz), count, n = 0;
    *ret = end;
    if (run.end < judge->scene.count)
        return true;
    while (end - judge->first - run.first <= longest) {
        if (!read(judge, end, judge->reach, judge->behind, &count, problem))
            return false;
        for (n = 0;
             n < count && !(judge->behind[n] < value) && !(judge->behind[n] > value); n++)
            continue;
        end += n;
        if (n < count || count == 0)
            break;
    }
    *ret = end;
    return true;
}

/* Whether the value is held as long once more within these frames: bursts of a tone. */
static bool recurs(struct breaks_judge *judge, int64_t from, int64_t to, int64_t length,
                   double value, bool *ret, struct problem *problem)
{
    int64_t held = 0;
    int count = 1;
    *ret = false;
    for (int64_t at = from < 0 ? 0 : from; at < to && count > 0; at += count) {
        int want = to - at < judge->reach ? (int)(to - at) : judge->reach;
        if (!read(judge, at, want, judge->behind, &count, problem))
            return false;
        for (int n = 0; n < count; n++) {
            bool holds = !(judge->behind[n] < value) && !(judge->behind[n] > value);
            *ret |= !holds && llabs(held - length) <= length / ALIKE;
            held = holds ? held + 1 : 0;
        }
    }
    return true;
}

static bool judge_run(struct breaks_judge *judge, const struct breaks_stretch *run,
                      struct breaks_verdict *ret, struct problem *problem)
{
    struct breaks_sides sides;
    int64_t first = judge->first + run->first, end, length;
    double value = judge->near[run->first], rate = judge->format->sample_rate_hz;
    bool before = false, behind = false;
    if (!run_end(judge, *run, &end, problem))
        return false;
    length = end - first;
    bool surely_no_pause = (double)length <= surely_no_pause_s * rate;
    if ((double)length > longest_hole_s * rate || end >= judge->frames)
        return true;
    int64_t reach = pattern_reach * length;
    if (!recurs(judge, first - reach, first, length, value, &before, problem) ||
        !recurs(judge, end, end + reach, length, value, &behind, problem) ||
        !take_sides(judge, first, end, &sides, problem))
        return false;
    enum breaks_relation relation = breaks_sides_relation(&sides);
    if (before || behind ||
        !breaks_hole_is_cut_out(&sides, relation, value, surely_no_pause))
        return true;
    tell_hole(first, end, &sides, relation, ret);
    return true;
}

bool breaks_judge_place(struct breaks_judge *judge, const struct breaks_places *places,
                        struct breaks_verdict *ret, struct problem *problem)
{
    struct breaks_stretch found;
    *ret = (struct breaks_verdict){.broken = false};
    judge->places = places;
    if (!look(judge, problem))
        return false;
    if (breaks_scene_run(&judge->scene, judge->fit, &found))
        return judge_run(judge, &found, ret, problem);
    if (breaks_scene_copy(&judge->scene, &found))
        return judge_copy(judge, &found, ret, problem);
    return judge_missing(judge, ret, problem);
}
