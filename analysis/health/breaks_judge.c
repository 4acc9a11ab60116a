#include "analysis/health/breaks_judge.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/kernels.h"
#include "analysis/health/breaks_scene.h"
#include "analysis/health/breaks_sides.h"

enum {
    NEAR = BREAKS_SCENE_NEAR,
    LEAST_REACH = 32768, /* for copies of long buffers */
    GUARD = 32,          /* frames beside the damage that are kept out too */
    SMEARED = 512,       /* frames over which a filter may smear a break */
    EDGES = 4,           /* places in a row that may be one break */
};

static const double fit_s = 0.17;             /* beside a place: three periods of 20 Hz */
static const double longest_hole_s = 0.25;    /* longer ones are pauses */
static const double surely_no_pause_s = 0.05; /* holes up to here need no sharp edges */
static const double least_step = 3 * M_PI / 180;
static const double sigmas = 6;

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

/* Reads one channel from a frame on; *ret_count is less at the end. */
static bool read(struct breaks_judge *judge, int64_t first, int count, double *ret,
                 int *ret_count, struct problem *problem)
{
    int done = 0, some = 1;
    if (first + count > judge->frames)
        count = (int)(judge->frames - first);
    if (count > 0 && !capture_seek(judge->capture, first, problem))
        return false;
    while (done < count && some > 0) {
        int want =
            count - done < CAPTURE_BLOCK_FRAMES ? count - done : CAPTURE_BLOCK_FRAMES;
        if (!capture_fetch(judge->capture, want, &some, problem))
            return false;
        capture_channel(judge->capture, judge->places->channel, 0, some, ret + done);
        done += some;
    }
    *ret_count = done;
    return true;
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
    const double bound[] = {8 * sides->tones[0].rest + 1e-9 * sides->tones[0].amplitude,
                            8 * sides->tones[1].rest + 1e-9 * sides->tones[1].amplitude};
    int64_t from = frame - SMEARED < judge->first ? judge->first : frame - SMEARED;
    int64_t to = end + SMEARED, last = judge->first + judge->scene.count, first = frame;
    for (int64_t n = frame; n-- > from;)
        if (fabs(judge->near[n - judge->first] - breaks_sides_before_at(sides, n)) >
            bound[0])
            first = n;
    int64_t until = end;
    for (int64_t n = end; n < to && n < last; n++)
        if (fabs(judge->near[n - judge->first] - breaks_sides_after_at(sides, n)) >
            bound[1])
            until = n + 1;
    guard(verdict, first, until);
}

/* Phase and frame of a break in one tone, or one sweep. */
static bool judge_tone(const struct breaks_judge *judge, const struct breaks_sides *sides,
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
        return false;
    ret->broken = true;
    ret->dropout = (struct health_dropout){
        .frame = frame,
        .length_frames = -1,
        .phase_step_deg = relation == BREAKS_SAME_TONE ? step * 180 / M_PI : NAN,
        .kind = HEALTH_MISSING,
    };
    measure_damage(judge, sides, frame, frame, ret);
    return true;
}

/* Frames missing: as many places as belong together, in a tone or a sweep; or the one in
 * what many tones make. */
static bool judge_missing(struct breaks_judge *judge, struct breaks_verdict *ret,
                          struct problem *problem)
{
    const struct breaks_places *places = judge->places;
    struct breaks_stretch tear;
    struct breaks_sides sides;
    for (int i = 0; i < EDGES && i < places->count; i++) {
        if (places->frames[i] - places->frames[0] > 4 * SMEARED)
            break;
        if (!take_sides(judge, places->frames[0] - NEAR, places->frames[i] + NEAR, &sides,
                        problem))
            return false;
        enum breaks_relation relation = breaks_sides_relation(&sides);
        if (relation == BREAKS_SAME_TONE || relation == BREAKS_SAME_SWEEP) {
            judge_tone(judge, &sides, relation, ret);
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

/* Whether the tone would have run through the value at a slope: no sharp edge then. */
static bool is_sharp(const struct breaks_tone *tone, double value)
{
    double slope = 2 * M_PI * tone->cycles * tone->amplitude;
    double away = fabs(breaks_tone_at(tone, 0) - value);
    return away > fmin(2 * slope, 0.5 * tone->amplitude) && away > 8 * tone->rest;
}

/* Whether a value is well within those on one side: no flat top. */
static bool is_within(const struct breaks_side *side, double value)
{
    double lowest = value, highest = value;
    for (int n = 0; n < side->count; n++) {
        lowest = fmin(lowest, side->samples[n]);
        highest = fmax(highest, side->samples[n]);
    }
    double margin = 0.05 * (highest - lowest);
    return value > lowest + margin && value < highest - margin;
}

/* Whether a run of one value is nothing that the tone itself would have done there, as a
 * stretch in which it hardly moves. */
static bool is_hole(const struct breaks_tone *tone, double value, int64_t length)
{
    double most = 0;
    for (int64_t t = 0; t < length && (double)t < 1 / tone->cycles; t++)
        most = fmax(most, fabs(breaks_tone_at(tone, (double)t) - value));
    return most > fmax(0.3 * tone->amplitude, 10 * tone->rest);
}

/* The same of many tones: where they fade, they end near the value. */
static bool has_sharp_edges(const struct breaks_sides *sides, double value)
{
    const struct breaks_side *before = &sides->before, *after = &sides->after;
    double loudest = 0;
    for (int n = 0; n < before->count; n++)
        loudest = fmax(loudest, fabs(before->samples[n] - value));
    double step = kernels_smallest_step(before->samples, before->count, 0);
    double bound = fmax(0.02 * loudest, 8 * step);
    return fabs(before->samples[before->count - 1] - value) > bound &&
           fabs(after->samples[0] - value) > bound;
}

static bool judge_run(struct breaks_judge *judge, const struct breaks_stretch *run,
                      struct breaks_verdict *ret, struct problem *problem)
{
    struct breaks_sides sides;
    int64_t first = judge->first + run->first, end;
    double value = judge->near[run->first], rate = judge->format->sample_rate_hz;
    if (!run_end(judge, *run, &end, problem))
        return false;
    double length_s = (double)(end - first) / rate;
    if (length_s > longest_hole_s || end >= judge->frames)
        return true;
    if (!take_sides(judge, first, end, &sides, problem))
        return false;
    enum breaks_relation relation = breaks_sides_relation(&sides);
    bool goes_on;
    if (relation == BREAKS_UNKNOWN) {
        goes_on = breaks_scene_goes_on(&sides.before, &sides.after) &&
                  (length_s <= surely_no_pause_s || has_sharp_edges(&sides, value));
    } else {
        goes_on = (relation == BREAKS_SAME_TONE || relation == BREAKS_SAME_SWEEP) &&
                  is_hole(&sides.tones[0], value, end - first) &&
                  (length_s <= surely_no_pause_s || (is_sharp(&sides.tones[0], value) &&
                                                     is_sharp(&sides.tones[1], value)));
    }
    if (!goes_on || !is_within(&sides.before, value))
        return true;
    ret->broken = true;
    ret->dropout = (struct health_dropout){
        first, end - first,
        relation == BREAKS_SAME_TONE ? breaks_sides_step(&sides, end) * 180 / M_PI : NAN,
        HEALTH_ZEROED};
    guard(ret, first, end);
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
