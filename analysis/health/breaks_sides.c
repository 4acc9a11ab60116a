#include "analysis/health/breaks_sides.h"

#include <math.h>

#include "analysis/health/breaks_scene.h"

static const double sigmas = 6;

static bool is_steady(const struct breaks_tone *tone)
{
    return fabs(tone->rate) * tone->length <=
           1e-3 * tone->cycles + sigmas * tone->cycles_sigma;
}

enum breaks_relation breaks_sides_relation(const struct breaks_sides *sides)
{
    const struct breaks_tone *b = &sides->tones[0], *a = &sides->tones[1];
    if (!(b->amplitude > 0) && !(a->amplitude > 0))
        return BREAKS_UNKNOWN;
    if (!(b->amplitude > 0) || !(a->amplitude > 0))
        return BREAKS_DIFFERENT;
    double apart = (double)(sides->edges[1] - sides->edges[0]);
    double noise = b->rest / b->amplitude * sqrt(2.0 / b->length) +
                   a->rest / a->amplitude * sqrt(2.0 / a->length);
    if (fabs(a->amplitude / b->amplitude - 1) > 0.03 + sigmas * noise)
        return BREAKS_DIFFERENT;
    double away = a->cycles - breaks_tone_cycles(b, apart);
    if (is_steady(a) && is_steady(b)) {
        double bound = 2e-4 * b->cycles + sigmas * (a->cycles_sigma + b->cycles_sigma);
        return fabs(away) <= bound ? BREAKS_SAME_TONE : BREAKS_DIFFERENT;
    }
    double rate = fmax(fabs(a->rate), fabs(b->rate));
    bool alike = a->rate * b->rate > 0 && rate < 2 * fmin(fabs(a->rate), fabs(b->rate));
    double bound = 0.02 * b->cycles + rate * (BREAKS_SCENE_LONGEST_LAG + apart);
    return alike && fabs(away) <= fmin(bound, 0.5 * b->cycles) ? BREAKS_SAME_SWEEP
                                                               : BREAKS_DIFFERENT;
}

double breaks_sides_before_at(const struct breaks_sides *sides, int64_t frame)
{
    return breaks_tone_at(&sides->tones[0], (double)(frame - sides->edges[0]));
}

double breaks_sides_after_at(const struct breaks_sides *sides, int64_t frame)
{
    return breaks_tone_at(&sides->tones[1], (double)(frame - sides->edges[1]));
}

static bool is_near(double x, double told, const struct breaks_tone *tone)
{
    return fabs(x - told) <= 8 * tone->rest + 1e-9 * tone->amplitude;
}

bool breaks_sides_before_explains(const struct breaks_sides *sides, int64_t frame,
                                  double x)
{
    return is_near(x, breaks_sides_before_at(sides, frame), &sides->tones[0]);
}

bool breaks_sides_after_explains(const struct breaks_sides *sides, int64_t frame,
                                 double x)
{
    return is_near(x, breaks_sides_after_at(sides, frame), &sides->tones[1]);
}

double breaks_sides_step(const struct breaks_sides *sides, int64_t frame)
{
    double step = breaks_tone_phase(&sides->tones[1], (double)(frame - sides->edges[1])) -
                  breaks_tone_phase(&sides->tones[0], (double)(frame - sides->edges[0]));
    return step - 2 * M_PI * round(step / (2 * M_PI));
}
