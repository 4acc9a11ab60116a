#include "analysis/health/breaks_scene.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/predict.h"
#include "analysis/dsp/solve.h"
#include "analysis/dsp/statistics.h"

enum {
    NEAR = BREAKS_SCENE_NEAR,
    PATTERN = 8,     /* samples that must be equal before more are compared */
    BY_CHANCE = 16,  /* samples that may be equal beyond a copy */
    TRAINING = 2048, /* samples beside an edge that weights are trained on */
    LEAST_TRAINING = 8 * PREDICT_LONG,
    LEAST_LEVEL = 1024,
    HEALED = 12, /* samples that might be wrong in a click */
};

static const double predictable = 0.1; /* residual re signal, at most */
static const double outstanding = 3;   /* times all other residuals */
static const double least_tear = 0.03; /* re the rms of the signal */

static bool same(double a, double b)
{
    return !(a < b) && !(a > b);
}

static int longest_run(const double *x, int count)
{
    int longest = 1, run = 1;
    for (int n = 1; n < count; n++) {
        run = same(x[n], x[n - 1]) ? run + 1 : 1;
        longest = run > longest ? run : longest;
    }
    return longest;
}

bool breaks_scene_run(const struct breaks_scene *scene, int reach,
                      struct breaks_stretch *ret)
{
    const double *x = scene->samples;
    int from = scene->place - NEAR < 0 ? 0 : scene->place - NEAR;
    int to = scene->place + NEAR > scene->count ? scene->count : scene->place + NEAR;
    struct breaks_stretch best = {0, 0};
    for (int n = from; n < to; n++) {
        int first = n;
        while (first > 0 && same(x[first - 1], x[n]))
            first--;
        while (n + 1 < scene->count && same(x[n + 1], x[n]))
            n++;
        if (n + 1 - first > best.end - best.first)
            best = (struct breaks_stretch){first, n + 1};
    }
    int length = best.end - best.first;
    int before = best.first < reach ? best.first : reach;
    if (length < BREAKS_SCENE_SHORTEST_RUN || before < 2 ||
        length <= 4 * longest_run(x + best.first - before, before))
        return false;
    *ret = best;
    return true;
}

static bool lively(const double *x)
{
    int steps = 0;
    for (int n = 1; n < PATTERN; n++)
        steps += !same(x[n], x[n - 1]);
    return steps >= PATTERN / 2;
}

/* Whether so many equal samples may come by chance: coarse steps equal those of other
 * lags too. About 2^18 comparisons are made at a place. */
static bool may_be_chance(const struct breaks_scene *scene, int first, int lag)
{
    enum { OTHERS = 8 };
    const double *x = scene->samples, unlikely = 30; /* nepers */
    int equal = 0, from = first - 4 * lag < lag ? lag : first - 4 * lag, usual = 0;
    for (int n = first; n < first + lag; n++)
        for (int other = lag - OTHERS / 2; other <= lag + OTHERS / 2; other++)
            equal += other != lag && n >= other && same(x[n], x[n - other]);
    for (int n = from; n < first; n++)
        usual += same(x[n], x[n - lag]);
    double share = fmax(equal, 0.5) / (OTHERS * (double)lag);
    return -lag * log(share) < unlikely || 2 * usual > first - from;
}

/* Whether the samples before are periodic to the bit: frames missing then look like
 * frames that came twice, and so do the halves of a tone of some whole periods. */
static bool is_periodic(const double *x, int first, int lag)
{
    int span = lag < first / 2 ? lag : first / 2;
    for (int period = 1; period <= BREAKS_SCENE_LONGEST_LAG && period + span <= first;
         period++) {
        int equal = 0, enough = period <= lag / 2 ? lag - period : span;
        enough = enough < span ? enough : span;
        while (equal < enough &&
               same(x[first - 1 - equal], x[first - 1 - equal - period]))
            equal++;
        if (equal == enough)
            return true;
    }
    return false;
}

static bool copy_at(const struct breaks_scene *scene, int at, int lag,
                    struct breaks_stretch *ret)
{
    const double *x = scene->samples;
    int first = at, end = at + PATTERN;
    int most = lag + BY_CHANCE; /* what is longer is a period, not a copy */
    while (first > lag && end - first <= most && same(x[first - 1], x[first - 1 - lag]))
        first--;
    while (end < scene->count && end - first <= most && same(x[end], x[end - lag]))
        end++;
    bool near =
        first >= scene->place - 4 * NEAR || abs(first + lag - scene->place) <= 2 * NEAR;
    if (first <= lag || end - first < lag || end - first > most || !near ||
        may_be_chance(scene, first, lag) || is_periodic(x, first, lag))
        return false;
    *ret = (struct breaks_stretch){first, first + lag};
    return true;
}

bool breaks_scene_copy(const struct breaks_scene *scene, struct breaks_stretch *ret)
{
    for (int offset = -2 * NEAR; offset <= NEAR; offset += PATTERN) {
        int at = scene->place + offset;
        if (at < 0 || at + PATTERN > scene->count || !lively(scene->samples + at))
            continue;
        for (int lag = BREAKS_SCENE_SHORTEST_LAG;
             lag <= BREAKS_SCENE_LONGEST_LAG && lag <= at; lag++) {
            const double *x = scene->samples + at;
            int equal = 0;
            while (equal < PATTERN && same(x[equal], x[equal - lag]))
                equal++;
            if (equal == PATTERN && copy_at(scene, at, lag, ret))
                return true;
        }
    }
    return false;
}

static const double *beside(const struct breaks_side *side, int count)
{
    return side->samples + (side->before ? side->count - count : 0);
}

static int training_of(const struct breaks_side *side)
{
    return side->count < TRAINING ? side->count : TRAINING;
}

/* Trains beside the edge; false where neighbours tell too little. */
static bool train(const struct breaks_side *side, struct predict *ret)
{
    int count = training_of(side);
    if (count < LEAST_TRAINING)
        return false;
    const double *x = beside(side, count);
    return predict_train(x, count, PREDICT_LONG, ret) &&
           ret->rms <= predictable * statistics_rms(x, count);
}

static double largest_of(const struct predict *predict, const double *x, int count)
{
    return predict_peak(predict, x + PREDICT_LONG, count - 2 * PREDICT_LONG).largest;
}

static double rest_of(const struct predict *predict, const struct breaks_side *side)
{
    int count = training_of(side), centres = count - 2 * PREDICT_LONG;
    const double *x = beside(side, count) + PREDICT_LONG;
    return sqrt(predict_peak(predict, x, centres).sum_squares / centres);
}

bool breaks_scene_goes_on(const struct breaks_side *before,
                          const struct breaks_side *after)
{
    struct predict earlier, later;
    int count = before->count < after->count ? before->count : after->count;
    if (count < LEAST_LEVEL || !train(before, &earlier) || !train(after, &later))
        return false;
    double loud = statistics_rms(beside(before, count), count);
    double ratio = statistics_rms(beside(after, count), count) / loud;
    double bound = fmax(10 * fmax(earlier.rms, later.rms), 0.001 * loud);
    return ratio > 0.85 && ratio < 1.18 && rest_of(&earlier, after) <= bound &&
           rest_of(&later, before) <= bound;
}

/* What residual is left, rms, when HEALED samples around the place may be anything: the
 * best that a click could hide. x: the samples from HEALED/2 + 2·order before the place.
 */
static double healed_rest(const struct predict *predict, const double *x)
{
    enum { ORDER = PREDICT_LONG, ROWS = HEALED + 2 * ORDER, ALL = ROWS + 2 * ORDER };
    double matrix[HEALED][HEALED] = {{0}}, right[HEALED] = {0}, samples[ALL], rest[ROWS];
    double tap[2 * ORDER + 1];
    const int first = 2 * ORDER; /* of those that may be anything */
    memcpy(samples, x, sizeof samples);
    for (int i = -ORDER; i <= ORDER; i++)
        tap[ORDER + i] = i ? -predict->weights[(i < 0 ? -i : i) - 1] : 1;
    memset(samples + first, 0, sizeof *samples * HEALED);
    predict_residual(predict, samples + ORDER, ROWS, rest);
    for (int row = 0; row < ROWS; row++)
        for (int i = 0; i < HEALED; i++) {
            int away = first + i - (row + ORDER);
            if (away < -ORDER || away > ORDER)
                continue;
            right[i] -= tap[ORDER + away] * rest[row];
            for (int j = 0; j < HEALED; j++) {
                int other = first + j - (row + ORDER);
                if (other >= -ORDER && other <= ORDER)
                    matrix[i][j] += tap[ORDER + away] * tap[ORDER + other];
            }
        }
    for (int i = 0; i < HEALED; i++)
        matrix[i][i] *= 1 + 1e-12;
    if (!solve_symmetric(HEALED, HEALED, matrix[0], right))
        return 0;
    memcpy(samples + first, right, sizeof right);
    struct predict_peak peak = predict_peak(predict, samples + ORDER, ROWS);
    return sqrt(peak.sum_squares / ROWS);
}

/* From where to where the residual exceeds the bound, about the place. */
static struct breaks_stretch extent(const struct predict *predict, const double *place,
                                    double bound)
{
    enum { SPAN = 2 * (NEAR + PREDICT_LONG) };
    double rest[SPAN];
    int first = SPAN / 2, last = SPAN / 2;
    predict_residual(predict, place - SPAN / 2, SPAN, rest);
    for (int n = SPAN - 1; n >= 0; n--)
        if (fabs(rest[n]) > bound)
            first = n;
    for (int n = 0; n < SPAN; n++)
        if (fabs(rest[n]) > bound)
            last = n;
    return (struct breaks_stretch){first - SPAN / 2, last + 1 - SPAN / 2};
}

bool breaks_scene_torn(const struct breaks_scene *scene, int reach,
                       struct breaks_stretch *ret)
{
    enum { APART = NEAR + PREDICT_LONG };
    const double *place = scene->samples + scene->place;
    int before = scene->place - APART, after = scene->count - scene->place - APART;
    before = before < reach ? before : reach;
    after = after < reach ? after : reach;
    if (before < LEAST_LEVEL || after < LEAST_LEVEL)
        return false;
    const struct breaks_side sides[] = {{place - APART - before, before, true},
                                        {place + APART, after, false}};
    struct predict predicts[2];
    for (int i = 0; i < 2; i++) {
        if (!train(&sides[i], &predicts[i]))
            return false;
        double usual = largest_of(&predicts[i], sides[i].samples, sides[i].count);
        double tear = predict_peak(&predicts[i], place - NEAR, 2 * NEAR).largest;
        double loud = statistics_rms(sides[i].samples, sides[i].count);
        if (tear < outstanding * usual || tear < least_tear * loud ||
            healed_rest(&predicts[i], place - HEALED / 2 - 2 * PREDICT_LONG) <
                outstanding * predicts[i].rms)
            return false;
        struct breaks_stretch found = extent(&predicts[i], place, 1.5 * usual);
        if (i == 0 || found.first > ret->first)
            ret->first = found.first;
        if (i == 0 || found.end < ret->end)
            ret->end = found.end;
    }
    ret->first += scene->place;
    ret->end += scene->place;
    return true;
}
