/**
 * The lag at which two channels are most alike, from their correlation.
 *
 * The correlation at whole lags is interpolated to eighths (band-limited, as
 * levels_between.h), since that of tones near half the sample rate swings between whole
 * lags. Its peaks that are as large as the largest, but for what eighths and noise hide,
 * are refined by Newton's method on the cross-spectrum; of those that are truly as large
 * the nearest is taken, since periodic signals have many.
 */
#ifndef ANALYSIS_HEALTH_PAIRS_LAG_H
#define ANALYSIS_HEALTH_PAIRS_LAG_H

#include <complex.h>

#include "analysis/health/levels_between.h"

enum { PAIRS_LAG_PARTS = 8 };

/** All borrowed. */
struct pairs_lag {
    int length, first_bin, farthest;  /* lags −farthest … farthest */
    const double complex *cross;      /* [length/2 + 1] */
    const double *correlation;        /* [length]: lag l at [l], −l at [length − l] */
    const double *window_correlation; /* likewise, of the window: falls off with lag */
    double window_fall;               /* −r″(0)/r(0) of it */
    double whole;                     /* correlation of channels that are alike */
    const struct levels_between_table *table;
    double *fine; /* [pairs_lag_room(farthest)], for pairs_lag_interpolate */
};

/** Doubles that `fine` needs. */
int pairs_lag_room(int farthest);

/** Fills fine. */
void pairs_lag_interpolate(const struct pairs_lag *lag);

/** The lag of the largest sign·correlation (sign ±1), and its value, which is `whole`
 * where the channels are alike. After pairs_lag_interpolate. */
double pairs_lag_find(const struct pairs_lag *lag, double sign, double *ret_value);

#endif
