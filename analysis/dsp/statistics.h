/**
 * Scatter, quantiles and thresholds.
 */
#ifndef ANALYSIS_DSP_STATISTICS_H
#define ANALYSIS_DSP_STATISTICS_H

#include <stdbool.h>

/**
 * Running mean, variance and covariance of pairs (x, y), shifted by the first pair so
 * that a tiny scatter about a large mean keeps its digits.
 */
struct moments {
    int count;
    double x0, y0;
    double sum_x, sum_y, sum_xx, sum_yy, sum_xy; /* of x − x0 and y − y0 */
};
void moments_add(struct moments *moments, double x, double y);
double moments_mean_x(const struct moments *moments);
/** 95 % half-width of the mean of x: Student's t with count−1 degrees of freedom; NaN
 * below three values. */
double moments_u95(const struct moments *moments);
/** The same for the mean of x − factor·y: with factor = x̄/ȳ the half-width of the ratio,
 *  times ȳ. */
double moments_u95_of_difference(const struct moments *moments, double factor);

/** Two-sided 95 % quantile of Student's t (t with probability 0.975 below it). Relative
 * error below 1e-9 (statistics_test.c: SciPy, tables). degrees ≥ 1. */
double statistics_student_975(double degrees);

/**
 * The factor over the mean that the average of `averages` independent power spectra of
 * noise exceeds anywhere among `bins` bins with probability 1e-3: a bin above it is a
 * line. The average of K exponential powers follows a gamma distribution of shape K.
 */
double statistics_line_threshold(int averages, double bins);

/** Density of noise from the powers of some bins, which lines among them do not move. */
struct density {
    double mean; /* what the mean would be without lines */
    double
        averages; /* shape of the powers' distribution: of how many independent spectra it
                     looks like the average. Noise that repeats (undithered quantising)
                     looks like one, however many segments were averaged. */
};

/** From the median, with the ratio of lower quartile to median telling the shape:
 * quantiles of the gamma distribution in Wilson and Hilferty's form, (1 − a + z·√a)³ with
 * a = 1/(9·shape). Bias below 1 % for shapes from 2 on, 3 % for 1. Reorders the values.
 * count ≥ 1. */
struct density statistics_density(double *powers, int count);

/** Mean without the lines: of the powers up to 8 times the median (noise that was never
 *  averaged exceeds that in 0.4 % of its bins, which costs 2 % of the mean). Where the
 * density is steep or structured it follows the mean, as a median does not. count ≥ 1. */
double statistics_mean_without_lines(double *powers, int count);

/** Median; reorders the values. count ≥ 1. */
double statistics_median(double *values, int count);

/** Root mean square about the mean, of count ≥ 1 samples. */
double statistics_rms(const double *samples, int count);

#endif
