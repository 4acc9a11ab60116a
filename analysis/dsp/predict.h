/**
 * How far samples are from what their neighbours on both sides tell of them.
 *
 * A sample of tones, sweeps or many tones is a sum of its neighbours with fixed weights,
 * weights[i − 1]·(x[n − i] + x[n + i]), i = 1 … order, to within its noise; where frames
 * are missing it is not, for one sum on either side. The weights are those of least
 * squares over a stretch (covariance form: no window, so that they are exact for tones),
 * with 1e-10 of the power added as if it were noise. Nothing is allocated. The loops run
 * as those of kernels.h do: the same bits for every width of vectors.
 */
#ifndef ANALYSIS_DSP_PREDICT_H
#define ANALYSIS_DSP_PREDICT_H

#include <stdbool.h>

enum {
    PREDICT_SHORT = 4, /* the orders there are */
    PREDICT_LONG = 32,
};

struct predict {
    int order;
    double weights[PREDICT_LONG];
    double rms; /* of the residual where it was trained */
};

/** Trains on samples[count], count ≥ 8·order. false: they are silent. */
bool predict_train(const double *samples, int count, int order, struct predict *ret)
    __attribute__((warn_unused_result));

/** Largest magnitude and sum of squares of the residual of centres[count ≥ 1]; reads
 * `order` samples before and behind them. */
struct predict_peak {
    double largest, sum_squares;
};
struct predict_peak predict_peak(const struct predict *predict, const double *centres,
                                 int count);

/** Fills ret[count] with the residual; reads as predict_peak does. */
void predict_residual(const struct predict *predict, const double *centres, int count,
                      double *ret);

#endif
