#include "analysis/health/levels_between.h"

#include <math.h>
#include <string.h>

#include "analysis/dsp/scan.h"

enum {
    HALF = LEVELS_BETWEEN_HALF,
    PARTS = LEVELS_BETWEEN_PARTS,
    KEPT = 2 * HALF,
    POINTS = 2 * PARTS + 1,
    PATIENCE = 64,
    EACH = 4, /* thereafter */
};

static const double near_full_scale = 0.63; /* −4 dBFS */
static const double beta = 8.6;
static const double higher = 1.001;   /* than the highest before, to be worth a look */
static const double like_tone = 1e-3; /* of the power is left */

/* Modified Bessel function of order 0 (Abramowitz and Stegun 9.6.12; from memory). */
static double bessel(double x)
{
    double sum = 1, term = 1;
    for (int k = 1; term > 1e-17 * sum; k++) {
        term *= x * x / (4.0 * k * k);
        sum += term;
    }
    return sum;
}

void levels_between_table_fill(struct levels_between_table *ret)
{
    for (int part = 0; part < PARTS; part++)
        for (int j = 0; j < 2 * HALF; j++) {
            double t = (double)part / PARTS - (j - (HALF - 1)), place = t / HALF;
            double sinc = t == 0 ? 1 : sin(M_PI * t) / (M_PI * t);
            ret->taps[part][j] =
                sinc * bessel(beta * sqrt(fmax(1 - place * place, 0))) / bessel(beta);
        }
}

/* At `point` parts of a sample from x, −PARTS … PARTS. */
static double value_at(const struct levels_between_table *table, const double *x,
                       int point)
{
    if (point == PARTS)
        return x[1];
    const double *from = x - (HALF - 1) + (point < 0 ? -1 : 0);
    const double *taps = table->taps[point < 0 ? point + PARTS : point];
    double sum = 0;
    for (int j = 0; j < 2 * HALF; j++)
        sum += taps[j] * from[j];
    return sum;
}

static double peak_near(const struct levels_between_table *table, const double *x)
{
    double values[POINTS];
    int top = 1;
    for (int i = 0; i < POINTS; i++)
        values[i] = fabs(value_at(table, x, i - PARTS));
    for (int i = 1; i + 1 < POINTS; i++)
        top = values[i] > values[top] ? i : top;
    double before = values[top - 1], after = values[top + 1];
    double fall = 2 * values[top] - before - after, peak = values[top];
    if (fall > 0 && before <= peak && after <= peak)
        peak += (after - before) * (after - before) / (8 * fall);
    return peak;
}

static bool is_tone(const double *x)
{
    double product = 0, power = 0, left = 0;
    for (int n = 1 - HALF; n < HALF; n++) {
        product += x[n] * (x[n + 1] + x[n - 1]);
        power += x[n] * x[n];
    }
    double g = product / power;
    for (int n = 1 - HALF; n < HALF; n++) {
        double rest = x[n + 1] + x[n - 1] - g * x[n];
        left += rest * rest;
    }
    return left <= like_tone * power;
}

/* Turns at samples[first … end); HALF more lie to either side. */
static void look(struct levels_between *between, const struct levels_between_table *table,
                 const double *samples, int first, int end)
{
    double least = fmax(between->turn * higher, near_full_scale);
    for (int n = first; (n = scan_turn(samples, n, end + 1, least)) >= 0 && n < end;
         n++) {
        const double *x = samples + n;
        double d = x[1] - x[-1], c = 2 * x[0] - x[1] - x[-1];
        between->idle = 0;
        between->turn = fabs(x[0]) + d * d / (8 * fabs(c));
        least = between->turn * higher;
        double peak = peak_near(table, x);
        between->peak = fmax(between->peak, peak);
        if (peak > between->tone && is_tone(x))
            between->tone = peak;
    }
}

void levels_between_feed(struct levels_between *between,
                         const struct levels_between_table *table, const double *samples,
                         int count, double peak)
{
    bool passed_over = ++between->idle > PATIENCE && between->idle % EACH != 0;
    if (count < KEPT || passed_over) {
        between->seam_count = 0;
        return;
    }
    if (between->seam_count == KEPT && peak >= near_full_scale) {
        memcpy(between->seam + KEPT, samples, sizeof *samples * KEPT);
        look(between, table, between->seam, HALF, KEPT + HALF);
    }
    if (peak >= near_full_scale)
        look(between, table, samples, HALF, count - HALF);
    memcpy(between->seam, samples + count - KEPT, sizeof *samples * KEPT);
    between->seam_count = KEPT;
}
