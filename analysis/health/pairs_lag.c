#include "analysis/health/pairs_lag.h"

#include <math.h>
#include <stdlib.h>

enum {
    PARTS = PAIRS_LAG_PARTS,
    STEP = LEVELS_BETWEEN_PARTS / PARTS,
    HALF = LEVELS_BETWEEN_HALF,
    NEWTON_STEPS = 4,
    MOST_PEAKS = 24,
};

static const double hidden = 0.015;  /* 1 − cos(0.9π/16): of a peak, between eighths */
static const double as_large = 1e-4; /* two peaks */
static const double sigmas = 5;      /* of what noise makes of them */

int pairs_lag_room(int farthest)
{
    return 2 * farthest * PARTS + 1;
}

/* Correlation at a whole lag, the window's fall made good. */
static double whole_lag(const struct pairs_lag *lag, int l)
{
    return lag->correlation[l < 0 ? l + lag->length : l] * lag->window_correlation[0] /
           lag->window_correlation[abs(l)];
}

void pairs_lag_interpolate(const struct pairs_lag *lag)
{
    double near[2 * HALF];
    for (int l = -lag->farthest; l <= lag->farthest; l++) {
        double *to = lag->fine + (l + lag->farthest) * PARTS;
        to[0] = whole_lag(lag, l);
        if (l == lag->farthest)
            break;
        for (int j = 0; j < 2 * HALF; j++)
            near[j] = whole_lag(lag, l + j - (HALF - 1));
        for (int part = 1; part < PARTS; part++) {
            const double *taps = lag->table->taps[part * STEP];
            double sum = 0;
            for (int j = 0; j < 2 * HALF; j++)
                sum += taps[j] * near[j];
            to[part] = sum;
        }
    }
}

struct derivatives {
    double value, slope, bend; /* of the correlation as it is */
};

static struct derivatives derive(const struct pairs_lag *lag, double at)
{
    struct derivatives sums = {0};
    const double turn = 2 * M_PI / lag->length;
    const double cosine = cos(turn * at), sine = sin(turn * at);
    double c = cos(turn * at * lag->first_bin), s = sin(turn * at * lag->first_bin);
    for (int k = lag->first_bin; k <= lag->length / 2; k++) {
        double w = turn * k, before = c;
        double re = creal(lag->cross[k]), im = cimag(lag->cross[k]);
        double value = re * c - im * s;
        sums.value += value;
        sums.slope -= w * (re * s + im * c);
        sums.bend -= w * w * value;
        c = c * cosine - s * sine;
        s = before * sine + s * cosine;
    }
    return sums;
}

static double refined(const struct pairs_lag *lag, double start, double *ret_value)
{
    double at = start;
    struct derivatives now = derive(lag, at);
    for (int i = 0; i < NEWTON_STEPS; i++) {
        double slope = now.slope + lag->window_fall * at * now.value;
        double bend = now.bend + lag->window_fall * (now.value + at * now.slope);
        double move = -slope / bend;
        if (!isfinite(move) || fabs(at + move - start) > 1)
            break;
        at += move;
        now = derive(lag, at);
    }
    double place = fabs(at);
    int below = (int)place;
    double window = lag->window_correlation[below] +
                    (place - below) * (lag->window_correlation[below + 1] -
                                       lag->window_correlation[below]);
    *ret_value = 2 * now.value / lag->length * lag->window_correlation[0] / window;
    return at;
}

static bool is_peak(const struct pairs_lag *lag, double sign, int i, double least)
{
    double value = sign * lag->fine[i];
    return value >= least && value >= sign * lag->fine[i - 1] &&
           value >= sign * lag->fine[i + 1];
}

double pairs_lag_find(const struct pairs_lag *lag, double sign, double *ret_value)
{
    int middle = lag->farthest * PARTS, best = 1, looked = 0;
    for (int i = 1; i < 2 * middle; i++)
        best = sign * lag->fine[i] > sign * lag->fine[best] ? i : best;
    double most = sign * lag->fine[best], value;
    double noise = sigmas * sqrt(fmax(1 - most / lag->whole, 0) / lag->length);
    double found = refined(lag, (double)(best - middle) / PARTS, &most);
    most *= sign;
    double least = (1 - hidden - noise) * most;
    for (int away = 0; away < abs(best - middle) && looked < MOST_PEAKS; away++)
        for (int side = -1; side <= 1 && looked < MOST_PEAKS; side += 2) {
            if (!is_peak(lag, sign, middle + side * away, least))
                continue;
            looked++;
            double at = refined(lag, (double)(side * away) / PARTS, &value);
            double margin = fabs(at) < fabs(found) ? as_large + noise : 0;
            if (sign * value > most * (1 - margin)) {
                found = at;
                most = fmax(most, sign * value);
            }
        }
    *ret_value = most;
    return found;
}
