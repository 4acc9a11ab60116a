#include "analysis/dsp/lobe_fit.h"

#include <math.h>

#include "analysis/dsp/fft.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    STEPS = 6,
};

/* Sums over the lobe's bins: of the transform x, the shape w and its slope d. */
struct lobe_sums {
    double complex xw, xd;
    double xx, ww, wd, dd;
};

static struct lobe_sums sum_lobe(const struct window *window, const double complex *bins,
                                 int first, double bin)
{
    const double h = 1e-3;
    struct lobe_sums sums = {0};
    int centre = (int)lround(bin);
    for (int j = centre - LOBE; j <= centre + LOBE; j++) {
        double complex x = bins[j - first];
        if (j % 2) /* from the segment's start to its centre */
            x = -x;
        double w = window_transform(window->kind, j - bin);
        double d = (window_transform(window->kind, j - bin - h) -
                    window_transform(window->kind, j - bin + h)) /
                   (2 * h);
        sums.xw += x * w;
        sums.xd += x * d;
        sums.xx += creal(x) * creal(x) + cimag(x) * cimag(x);
        sums.ww += w * w;
        sums.wd += w * d;
        sums.dd += d * d;
    }
    return sums;
}

struct lobe_fit lobe_fit_bins(const struct window *window, const double complex *bins,
                              double start_bin)
{
    const double settled = 1e-9;
    int centre = (int)lround(start_bin), first = centre - LOBE_FIT_REACH;
    double away = LOBE_FIT_REACH - LOBE, bin = start_bin, step = 1;
    struct lobe_sums sums = sum_lobe(window, bins, first, bin);
    for (int i = 0; i < STEPS && fabs(step) > settled; i++) {
        double complex scale = sums.xw / sums.ww;
        double power = creal(scale) * creal(scale) + cimag(scale) * cimag(scale);
        if (power <= 0)
            break;
        step = creal(conj(scale) * (sums.xd - scale * sums.wd)) / (power * sums.dd);
        step = fmax(-0.5, fmin(0.5, step));
        bin = fmax(centre - away, fmin(centre + away, bin + step));
        sums = sum_lobe(window, bins, first, bin);
    }
    double complex scale = sums.xw / sums.ww;
    double fit = (creal(scale) * creal(scale) + cimag(scale) * cimag(scale)) * sums.ww;
    double left = fmax(sums.xx - fit, 0), noise = left / (2 * LOBE - 1);
    return (struct lobe_fit){
        .bin = bin,
        .phasor = 2 * scale / window->length,
        .misfit = fit > 0 ? left / fit : INFINITY,
        .phase_sd = sqrt(noise / 2 / fit),
        .bin_sd = sqrt(noise / 2 / fit * sums.ww / sums.dd),
    };
}

struct lobe_fit lobe_fit(const struct window *window, const double *transform,
                         double start_bin)
{
    double complex bins[2 * LOBE_FIT_REACH + 1];
    int half = window->length / 2, first = (int)lround(start_bin) - LOBE_FIT_REACH;
    for (int i = 0; i <= 2 * LOBE_FIT_REACH; i++) {
        int j = first + i; /* beyond dc and half the sample rate the bins are mirrored */
        double complex bin = fft_bin(transform, window->length,
                                     j < 0      ? -j
                                     : j > half ? window->length - j
                                                : j);
        bins[i] = j < 0 || j > half ? conj(bin) : bin;
    }
    return lobe_fit_bins(window, bins, start_bin);
}

struct tone_fit lobe_fit_tone(const struct lobe_fit *fit, int length)
{
    return (struct tone_fit){fit->bin / length, 0, fit->phasor};
}
