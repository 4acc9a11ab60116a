#include "analysis/dsp/tone_fit.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/fft.h"
#include "analysis/dsp/kernels.h"
#include "analysis/dsp/statistics.h"

enum {
    BLOCK = KERNELS_BLOCK,
    COARSE = 16, /* of the table's steps; the others are within one */
    FINE = BLOCK / COARSE,
    GROUPS_MAX = 512,
    FEWEST_FOR_SCATTER = 3, /* blocks */
    FEWEST_FOR_CURVE = 5,
};

/* Phase −cycles·t as a turn. The product is taken in two parts, of which the first is
 * exact: cycles to 2^−26, t a multiple of 1/2 up to 2^25. */
static double complex turn_at(double cycles, double t)
{
    const double grid = 1 << 26;
    double high = rint(cycles * grid) / grid, turns = high * t;
    double angle = -2 * M_PI * (turns - rint(turns) + (cycles - high) * t);
    return cos(angle) + I * sin(angle);
}

/* Σ x·e^{−iωt} and Σ (t − centre)·x·e^{−iωt} over a stretch of a segment; t counts from
 * the segment's centre. */
struct group {
    double centre;
    double complex plain, timed;
};

struct groups {
    int count, length; /* of each, in samples */
    struct group group[GROUPS_MAX];
};

/* The turns within one block, about its centre. */
static void fill_table(double cycles, double *re, double *im)
{
    double complex fine[FINE];
    for (int i = 0; i < FINE; i++)
        fine[i] = turn_at(cycles, i - (FINE - 1) / 2.0);
    for (int k = 0; k < COARSE; k++) {
        double complex coarse = turn_at(cycles, FINE * (k - (COARSE - 1) / 2.0));
        for (int i = 0; i < FINE; i++) {
            double complex turn = coarse * fine[i];
            re[FINE * k + i] = creal(turn);
            im[FINE * k + i] = cimag(turn);
        }
    }
}

/* One reading of the segment: windows it block by block, and sums it up against a tone.
 * Each block's phase is exact, so errors do not add up. */
static void demodulate(const struct tone_fit_segment *segment, double cycles,
                       double *transform, struct groups *ret)
{
    double re[BLOCK], im[BLOCK], windowed[BLOCK];
    int length = segment->window->length, half = length / 2, blocks = length / BLOCK;
    int together = blocks > GROUPS_MAX ? blocks / GROUPS_MAX : 1;
    fill_table(cycles, re, im);
    ret->count = blocks / together;
    ret->length = together * BLOCK;
    for (int g = 0; g < ret->count; g++) {
        struct group *group = &ret->group[g];
        *group = (struct group){(g + 0.5) * ret->length - half - 0.5, 0, 0};
        for (int b = 0; b < together; b++) {
            int first = (g * together + b) * BLOCK;
            double centre = first - half + (BLOCK - 1) / 2.0;
            struct kernels_sums sums;
            bool falls = first >= half; /* the half just read is still in cache */
            kernels_window(segment->samples + first,
                           segment->window->values + (falls ? length - first : first),
                           falls ? -1 : 1, segment->dc, windowed);
            if (transform)
                fft_put(transform, length, first, windowed, BLOCK);
            kernels_demodulate(windowed, re, im, &sums);
            double complex turn = turn_at(cycles, centre);
            double complex plain = (sums.re + I * sums.im) * turn;
            group->plain += plain;
            group->timed += (sums.timed_re + I * sums.timed_im) * turn +
                            (centre - group->centre) * plain;
        }
    }
}

struct sums {
    double complex plain, timed;
};

/* The sums at a frequency `away` cycles per sample from the demodulated one, without
 * another reading: within a group e^{−iδt} is 1 − iδt − (δt)²/2, t² taken as its mean. */
static struct sums sums_at(const struct groups *groups, double away)
{
    enum { SOME = 16 }; /* added up first: rounding grows with the number of additions */
    struct sums sums = {0, 0}, some = {0, 0};
    double delta = 2 * M_PI * away, length = groups->length;
    double mean_t2 = (length * length - 1) / 12;
    for (int g = 0; g < groups->count; g++) {
        const struct group *group = &groups->group[g];
        double complex plain =
            group->plain * (1 - delta * delta * mean_t2 / 2) - I * delta * group->timed;
        double complex timed = group->timed - I * delta * mean_t2 * group->plain;
        if (delta != 0) {
            double complex turn = turn_at(away, group->centre);
            plain *= turn;
            timed *= turn;
        }
        some.plain += plain;
        some.timed += timed + group->centre * plain;
        if (g % SOME == SOME - 1 || g == groups->count - 1) {
            sums.plain += some.plain;
            sums.timed += some.timed;
            some = (struct sums){0, 0};
        }
    }
    return sums;
}

/* Takes away what the tone's image at the negative frequency adds to the sums. */
static struct sums without_image(struct sums sums, const struct window *window,
                                 double cycles)
{
    struct window_sums far = window_sums_at(window, 2 * cycles);
    double complex image = conj(sums.plain) / window->sum;
    return (struct sums){sums.plain - image * far.plain, sums.timed - image * far.timed};
}

struct tone_fit tone_fit_segment(const struct tone_fit_segment *segment,
                                 double start_cycles, int steps, double *transform)
{
    const struct window *window = segment->window;
    const double bin = 1.0 / window->length, far = 0.05 * bin, settled = 5e-10 * bin;
    double from = start_cycles, away = 0;
    struct groups groups;
    assert(window->length >= BLOCK);
    demodulate(segment, from, transform, &groups);
    struct sums sums = without_image(sums_at(&groups, 0), window, from);
    for (int i = 0; i < steps && cabs(sums.plain) > 0; i++) {
        double step = cimag(sums.timed / sums.plain) / (2 * M_PI * window->time_spread);
        step = fmax(-bin / 2, fmin(bin / 2, step));
        away += step;
        if (fabs(step) < settled)
            break;
        if (fabs(away) > far) {
            from += away;
            away = 0;
            demodulate(segment, from, NULL, &groups);
        }
        sums = without_image(sums_at(&groups, away), window, from + away);
    }
    double cycles = from + away;
    return (struct tone_fit){cycles, (from - cycles) + away,
                             2 * sums.plain / window->sum};
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
