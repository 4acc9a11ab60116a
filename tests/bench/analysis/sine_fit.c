/* sine_fit: for each line read from standard input, one pass of the sine fit over 2^20
 * samples, and the same sums with a sine and a cosine taken for every sample. Prints the
 * seconds of both, and what is left of an exact tone once the fitted one is taken away,
 * in dB of it. */
#include <complex.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "analysis/dsp/tone_fit.h"

enum { LENGTH = 1 << 20, RATE_HZ = 192000, STEPS = 12 };

static const long tone_millihertz = 997037; /* no whole number of periods in anything */

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* The phase is counted in whole numbers, so the tone is exact but for the last rounding.
 */
static double *tone(void)
{
    double *samples = malloc(LENGTH * sizeof *samples);
    long long period = RATE_HZ * 1000LL;
    for (long long n = 0; samples && n < LENGTH; n++) {
        long double turns = (long double)(n * tone_millihertz % period) / (double)period;
        samples[n] = (double)(0.7L * cosl(2 * M_PIl * turns + 0.3L));
    }
    return samples;
}

static double complex per_sample(const double *samples, const struct window *window,
                                 double cycles)
{
    double re = 0, im = 0, timed_re = 0, timed_im = 0;
    for (int n = 0; n < LENGTH; n++) {
        double t = n - LENGTH / 2, sine, cosine, x = samples[n] * window->values[n];
        sincos(-2 * M_PI * cycles * t, &sine, &cosine);
        re += x * cosine;
        im += x * sine;
        timed_re += t * x * cosine;
        timed_im += t * x * sine;
    }
    return re + timed_re + I * (im + timed_im); /* all are used */
}

static double residual_db(const double *samples, const struct tone_fit *fit)
{
    long double cycles = (long double)fit->cycles + fit->rest, sum = 0, whole = 0;
    long double peak = cabsl(fit->phasor), start = cargl(fit->phasor);
    for (int n = 0; n < LENGTH; n++) {
        long double turns = cycles * (n - LENGTH / 2);
        turns -= rintl(turns);
        long double rest = samples[n] - peak * cosl(2 * M_PIl * turns + start);
        sum += rest * rest;
        whole += (long double)samples[n] * samples[n];
    }
    return (double)(10 * log10l(sum / whole));
}

int main(void)
{
    struct window window;
    double *samples = tone(), sink = 0;
    if (!samples || !window_new(WINDOW_BLACKMAN_HARRIS_7, LENGTH, &window, NULL))
        return 1;
    struct tone_fit_segment segment = {samples, 0, &window};
    double start = (double)tone_millihertz / (RATE_HZ * 1000.0) + 0.3 / LENGTH;
    struct tone_fit fit = tone_fit_segment(&segment, start, STEPS, NULL);
    fit = tone_fit_segment(&segment, fit.cycles, STEPS, NULL);
    double left_db = residual_db(samples, &fit);
    for (char line[16]; fgets(line, sizeof line, stdin);) {
        double begin = now_s();
        struct tone_fit pass = tone_fit_segment(&segment, fit.cycles, 0, NULL);
        double middle = now_s();
        sink += creal(per_sample(samples, &window, fit.cycles)) + creal(pass.phasor);
        double end = now_s();
        printf("%.9f %.9f %.1f\n", middle - begin, end - middle, left_db);
        fflush(stdout);
    }
    fprintf(stderr, sink > INFINITY ? "\n" : ""); /* the sums are not left out */
    window_free(&window);
    free(samples);
    return 0;
}
