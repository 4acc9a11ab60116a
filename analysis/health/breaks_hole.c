#include "analysis/health/breaks_hole.h"

#include <math.h>

#include "analysis/dsp/kernels.h"
#include "analysis/health/breaks_scene.h"

static const double many_tones_rest = 0.03; /* of the amplitude: `moves` tells nothing */
static const double quiet = 0.2;            /* of the amplitude, rms */
static const double reach_of_pattern = 4;   /* lengths, to the next pause */
static const double as_long = 0.75;

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

/* Whether the tone would have left the value in these frames, `start` behind its edge. */
static bool moves(const struct breaks_tone *tone, int64_t start, double value,
                  int64_t length)
{
    double most = 0;
    for (int64_t t = 0; t < length && (double)t < 1 / tone->cycles; t++)
        most = fmax(most, fabs(breaks_tone_at(tone, (double)(start + t)) - value));
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

bool breaks_hole_is_cut_out(const struct breaks_sides *sides,
                            enum breaks_relation relation, double value,
                            bool surely_no_pause)
{
    const struct breaks_tone *tones = sides->tones;
    int64_t length = sides->edges[1] - sides->edges[0];
    if (!is_within(&sides->before, value))
        return false;
    bool one = relation == BREAKS_SAME_TONE || relation == BREAKS_SAME_SWEEP;
    if (one && moves(&tones[0], 0, value, length))
        return surely_no_pause ||
               (is_sharp(&tones[0], value) && is_sharp(&tones[1], value));
    if (relation == BREAKS_UNKNOWN ||
        (one && tones[0].rest > many_tones_rest * tones[0].amplitude))
        return breaks_scene_goes_on(&sides->before, &sides->after) &&
               (surely_no_pause || has_sharp_edges(sides, value));
    return false;
}

/* From the first frame that the earlier tone does not explain to the last that the later
 * one does not. */
static struct breaks_stretch unexplained(const struct breaks_sides *sides,
                                         const double *x, int64_t first)
{
    int64_t from = sides->edges[0], to = sides->edges[1];
    while (from < to && breaks_sides_before_explains(sides, from, x[from - first]))
        from++;
    while (to > from && breaks_sides_after_explains(sides, to - 1, x[to - 1 - first]))
        to--;
    return (struct breaks_stretch){(int)(from - first), (int)(to - first)};
}

static double middle_of(const struct breaks_sides *sides)
{
    return (sides->tones[0].offset + sides->tones[1].offset) / 2;
}

bool breaks_hole_find(const struct breaks_sides *sides, const struct breaks_scene *scene,
                      int64_t first, struct breaks_stretch *ret)
{
    const struct breaks_tone *tones = sides->tones;
    if (sides->edges[0] < first || sides->edges[1] > first + scene->count)
        return false;
    *ret = unexplained(sides, scene->samples, first);
    int length = ret->end - ret->first;
    double middle = middle_of(sides), squares = 0;
    if (length < BREAKS_SCENE_SHORTEST_RUN)
        return false;
    for (int n = ret->first; n < ret->end; n++)
        squares += (scene->samples[n] - middle) * (scene->samples[n] - middle);
    return squares <= quiet * quiet * tones[0].amplitude * tones[0].amplitude * length &&
           moves(&tones[0], first + ret->first - sides->edges[0], middle, length);
}

bool breaks_hole_recurs(const struct breaks_sides *sides,
                        const struct breaks_scene *scene,
                        const struct breaks_stretch *hole)
{
    const struct breaks_tone *tones = sides->tones;
    double middle = middle_of(sides), level = quiet * tones[0].amplitude;
    int length = hole->end - hole->first, held = 0;
    int from = hole->first - (int)(reach_of_pattern * length);
    int to = hole->end + (int)(reach_of_pattern * length);
    for (int n = from < 0 ? 0 : from; n < to && n < scene->count; n++) {
        bool inside = n >= hole->first - 1 && n <= hole->end;
        held = !inside && fabs(scene->samples[n] - middle) <= level ? held + 1 : 0;
        if (held >= as_long * length)
            return true;
    }
    return false;
}
