#include "analysis/dsp/tone_fit.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/statistics.h"

enum {
    BLOCK = 512,
    FEWEST_FOR_SCATTER = 3, /* blocks */
    FEWEST_FOR_CURVE = 5,
};

/* Σ x·e^{−iωt} and Σ t·x·e^{−iωt}, t counted from the block's centre. Phases come from
 * one table of BLOCK steps and an exact phase per block, so errors do not add up. */
struct sums {
    double complex plain, timed;
};

static struct sums demodulate(const double *x, int length, double cycles)
{
    double table_re[BLOCK], table_im[BLOCK];
    int block = length < BLOCK ? length : BLOCK, half = length / 2;
    for (int j = 0; j < block; j++) {
        table_re[j] = cos(2 * M_PI * cycles * j);
        table_im[j] = -sin(2 * M_PI * cycles * j);
    }
    struct sums sums = {0, 0};
    for (int start = 0; start < length; start += block) {
        double re = 0, im = 0, timed_re = 0, timed_im = 0;
        for (int j = 0; j < block; j++) {
            double a = x[start + j] * table_re[j], b = x[start + j] * table_im[j];
            re += a;
            im += b;
            timed_re += a * j;
            timed_im += b * j;
        }
        double t = start - half;
        double turns = cycles * t;
        double angle = -2 * M_PI * (turns - floor(turns));
        double complex turn = cos(angle) + I * sin(angle);
        double complex plain = (re + I * im) * turn;
        sums.plain += plain;
        sums.timed += (timed_re + I * timed_im) * turn + t * plain;
    }
    return sums;
}

struct tone_fit tone_fit_block(const double *windowed, const struct window *window,
                               double start_cycles, int passes)
{
    struct tone_fit fit = {.cycles = start_cycles};
    double half_bin = 0.5 / window->length;
    struct sums sums = demodulate(windowed, window->length, fit.cycles);
    for (int pass = 0; pass < passes && cabs(sums.plain) > 0; pass++) {
        double step = cimag(sums.timed / sums.plain) / (2 * M_PI * window->time_spread);
        fit.cycles += fmax(-half_bin, fmin(half_bin, step));
        if (fabs(step) < 1e-9 * half_bin)
            break;
        sums = demodulate(windowed, window->length, fit.cycles);
    }
    fit.phasor = 2 * sums.plain / window->sum;
    return fit;
}

static double wrapped(double radians)
{
    return radians - 2 * M_PI * round(radians / (2 * M_PI));
}

bool tone_track_new(int blocks, int hop, struct tone_track *ret, struct problem *problem)
{
    double *excess = malloc((size_t)blocks * sizeof *excess);
    if (!excess)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for the phases of %d blocks.", blocks);
    *ret = (struct tone_track){.hop = hop, .capacity = blocks, .excess = excess};
    return true;
}

void tone_track_free(struct tone_track *track)
{
    free(track->excess);
    track->excess = NULL;
}

void tone_track_add(struct tone_track *track, const struct tone_fit *fit)
{
    assert(track->count < track->capacity);
    int k = track->count++;
    double phase = carg(fit->phasor);
    if (k == 0) {
        track->cycles0 = track->minimum_cycles = track->maximum_cycles = fit->cycles;
        track->first_phase = phase;
        track->excess[0] = 0;
    } else {
        double turns = track->cycles0 * track->hop;
        double expected = 2 * M_PI * (turns - floor(turns));
        double last_step = k > 1 ? track->excess[k - 1] - track->excess[k - 2] : 0;
        double surprise = wrapped(phase - track->last_phase - expected - last_step);
        track->excess[k] = track->excess[k - 1] + last_step + surprise;
    }
    track->last_phase = phase;
    track->minimum_cycles = fmin(track->minimum_cycles, fit->cycles);
    track->maximum_cycles = fmax(track->maximum_cycles, fit->cycles);
}

struct tone_track_result tone_track_result(const struct tone_track *track)
{
    /* Orthogonal polynomials over k: 1, t, t² − mean t², with t = k − (n−1)/2. */
    int n = track->count;
    double centre = (n - 1) / 2.0, mean_t2 = (n * (double)n - 1) / 12;
    double sum = 0, slope = 0, curve = 0, norm1 = 0, norm2 = 0, squares = 0;
    for (int k = 0; k < n; k++) {
        double t = k - centre, q = t * t - mean_t2;
        sum += track->excess[k];
        slope += t * track->excess[k];
        curve += q * track->excess[k];
        norm1 += t * t;
        norm2 += q * q;
    }
    double mean = sum / n;
    slope = norm1 > 0 ? slope / norm1 : 0;
    curve = n >= FEWEST_FOR_CURVE ? curve / norm2 : 0;
    for (int k = 0; k < n; k++) {
        double t = k - centre;
        double rest = track->excess[k] - mean - slope * t - curve * (t * t - mean_t2);
        squares += rest * rest;
    }
    double turns = track->cycles0 * track->hop * centre;
    /* The mean of the fitted parabola is its value at the middle plus curve · mean t². */
    double middle = mean - curve * mean_t2;
    struct tone_track_result result = {
        .cycles = track->cycles0 + slope / (2 * M_PI * track->hop),
        .cycles_u95 = NAN,
        .phase = wrapped(track->first_phase + 2 * M_PI * (turns - floor(turns)) + middle),
        .phase_u95 = NAN,
    };
    if (n >= FEWEST_FOR_SCATTER) {
        int freedom = n >= FEWEST_FOR_CURVE ? n - 3 : n - 2;
        double middle_share = n >= FEWEST_FOR_CURVE ? mean_t2 * mean_t2 / norm2 : 0;
        double spread = statistics_student_975(freedom) * sqrt(squares / freedom);
        result.cycles_u95 = spread / sqrt(norm1) / (2 * M_PI * track->hop);
        result.phase_u95 = spread * sqrt(1.0 / n + middle_share);
    }
    return result;
}
