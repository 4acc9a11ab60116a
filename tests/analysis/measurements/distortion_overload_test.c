#include "analysis/measurements/distortion_overload.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

enum { LENGTH = 65536 };

struct take {
    double cycles, amplitude, noise, low, high; /* clipped to low … high */
    double step;                                /* of the quantiser; 0: none */
    double dither;                              /* TPDF, in steps */
};

static double *samples;

static int set_up(void **state)
{
    (void)state;
    samples = malloc(LENGTH * sizeof *samples);
    return samples ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    free(samples);
    return 0;
}

static bool is_flat(const struct take *take)
{
    struct support_random random = support_random_seed(61);
    for (int n = 0; n < LENGTH; n++) {
        double turns = take->cycles * n;
        double x = take->amplitude * cos(2 * M_PI * (turns - floor(turns)) + 0.4);
        x = fmax(take->low, fmin(take->high, x)) +
            take->noise * support_gaussian(&random);
        if (take->step > 0) {
            double dither = support_uniform(&random) - support_uniform(&random);
            x = take->step * rint(x / take->step + take->dither * dither);
        }
        samples[n] = x;
    }
    double complex phasor = 0;
    for (int n = 0; n < LENGTH; n++)
        phasor += samples[n] * cexp(-2 * M_PI * I * take->cycles * (n - LENGTH / 2));
    struct tone_fit fit = {take->cycles, 0, 2 * phasor / LENGTH};
    return distortion_overload_is_flat(samples, LENGTH, &fit);
}

/* Clean tones, whatever few phases of their period they hit, on clocks apart, in any word
 * length, over noise. */
static void clean_tones_are_not_flat(void **state)
{
    static const double ppm[] = {0, 5, 20, 37, 80, -200};
    (void)state;
    for (int n = 3; n <= 16; n++)
        for (size_t i = 0; i < sizeof ppm / sizeof *ppm; i++) {
            double cycles = (1 + ppm[i] * 1e-6) / n;
            const struct take takes[] = {{cycles, 0.5, 0, -1, 1, 0, 0},
                                         {cycles, 0.5, 1e-3, -1, 1, 0, 0},
                                         {cycles, 0.5, 0, -1, 1, 0x1p-23, 1},
                                         {cycles, 0.5, 0, -1, 1, 0x1p-15, 0},
                                         {cycles, 0.001, 0, -1, 1, 0x1p-15, 0},
                                         {cycles, 1, 0, -1, 1, 0, 0},
                                         {cycles / 7, 0.5, 0, -1, 1, 0x1p-15, 0}};
            for (size_t k = 0; k < sizeof takes / sizeof *takes; k++)
                if (is_flat(&takes[k]))
                    fail_msg("1/%d, %+g ppm, take %zu is called flat", n, ppm[i], k);
        }
}

/* Clipped on one side or both, slightly or heavily, over noise, down to two levels. */
static void clipped_tones_are_flat(void **state)
{
    const double f = 997.0 / 48000;
    const struct take takes[] = {
        {f, 1, 0, -0.998, 0.998, 0, 0},   {f, 1, 0, -2, 0.995, 0, 0},
        {f, 1, 0, -0.9, 2, 0, 0},         {f, 1, 5e-4, -0.5, 0.5, 0, 0},
        {f, 1, 1e-4, -0.99, 0.99, 0, 0},  {f, 1.01, 0, -1, 1, 0x1p-15, 0},
        {f, 1, 0, -0.1, 0.1, 0x1p-23, 1}, {f / 20, 1, 0, -0.95, 0.95, 0, 0},
        {f, 1000, 0, -0.5, 0.5, 0, 0}};
    (void)state;
    for (size_t k = 0; k < sizeof takes / sizeof *takes; k++)
        if (!is_flat(&takes[k]))
            fail_msg("take %zu is not called flat", k);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clean_tones_are_not_flat),
        cmocka_unit_test(clipped_tones_are_flat),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
