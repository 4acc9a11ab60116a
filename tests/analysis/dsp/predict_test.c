/* Closed form: the symmetric sum that tells a tone exactly is x[n] = (x[n−1] + x[n+1]) /
 * (2·cos w). The oracle of the loops is the plain sum. */
#include "analysis/dsp/predict.h"

#include <math.h>

#include "tests/support/support.h"

enum { MOST = 4096 };

static double values[MOST], residual[MOST];

static void fill_tones(int tones, double noise, uint64_t seed)
{
    struct support_random random = support_random_seed(seed);
    for (int n = 0; n < MOST; n++)
        values[n] = noise * support_gaussian(&random);
    for (int i = 0; i < tones; i++) {
        double cycles = 0.49 * support_uniform(&random), start = support_uniform(&random);
        for (int n = 0; n < MOST; n++)
            values[n] += sin(2 * M_PI * (start + cycles * n));
    }
}

/* Four coefficients tell four tones, 32 tell 32: what is left is the 1e-10 of power that
 * is taken for noise, some −80 dB. */
static void tones_leave_nothing(void **state)
{
    (void)state;
    static const struct {
        int order, tones;
    } cases[] = {
        {PREDICT_SHORT, 1}, {PREDICT_SHORT, 3}, {PREDICT_LONG, 1}, {PREDICT_LONG, 10}};
    for (size_t i = 0; i < 4; i++) {
        struct predict predict;
        fill_tones(cases[i].tones, 0, i + 1);
        assert_true(predict_train(values, 1024, cases[i].order, &predict));
        double rms = sqrt(cases[i].tones / 2.0);
        assert_between(predict.rms / rms, 0, 1e-3);
        struct predict_peak peak = predict_peak(&predict, values + 2000, 1000);
        assert_between(peak.largest / rms, 0, 1e-2);
    }
}

/* White noise tells nothing of itself: each weight is an estimate of 0 with a standard
 * error of about 1/√(2·count), and the residual is the noise. */
static void noise_is_left_whole(void **state)
{
    (void)state;
    struct predict predict;
    fill_tones(0, 1, 7);
    assert_true(predict_train(values, 4096, PREDICT_LONG, &predict));
    assert_close(predict.rms, 1, 6 / sqrt(2 * 4096.0));
    for (int i = 0; i < PREDICT_LONG; i++)
        assert_close(predict.weights[i], 0, 6 / sqrt(2 * 4096.0));
}

static void peaks_equal_the_plain_loop(void **state)
{
    (void)state;
    static const int orders[] = {PREDICT_SHORT, PREDICT_LONG};
    fill_tones(3, 0.1, 8);
    for (int i = 0; i < 2; i++) {
        struct predict predict;
        assert_true(predict_train(values, 1024, orders[i], &predict));
        for (int count = 1; count < 70; count++) {
            double largest = 0, squares = 0;
            predict_residual(&predict, values + 100, count, residual);
            for (int n = 0; n < count; n++) {
                double rest = values[100 + n];
                for (int k = 1; k <= orders[i]; k++)
                    rest -= predict.weights[k - 1] *
                            (values[100 + n - k] + values[100 + n + k]);
                assert_true(!(rest < residual[n]) && !(rest > residual[n]));
                largest = fmax(largest, fabs(rest));
                squares += rest * rest;
            }
            struct predict_peak peak = predict_peak(&predict, values + 100, count);
            assert_close(peak.largest, largest, 0);
            assert_close(peak.sum_squares, squares, 1e-12 * squares);
        }
    }
}

/* Frames taken out of a tone stand out of everything else by far. */
static void a_step_of_the_phase_stands_out(void **state)
{
    (void)state;
    struct predict predict;
    fill_tones(1, 1e-5, 9);
    for (int n = 2000; n + 7 < MOST; n++)
        values[n] = values[n + 7];
    assert_true(predict_train(values, 1024, PREDICT_SHORT, &predict));
    double usual = predict_peak(&predict, values + 100, 1800).largest;
    assert_true(predict_peak(&predict, values + 1990, 20).largest > 100 * usual);
}

static void silence_cannot_be_trained_on(void **state)
{
    (void)state;
    struct predict predict;
    for (int n = 0; n < MOST; n++)
        values[n] = 0;
    assert_false(predict_train(values, 1024, PREDICT_LONG, &predict));
    assert_false(predict_train(values, 1024, PREDICT_SHORT, &predict));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tones_leave_nothing),
        cmocka_unit_test(noise_is_left_whole),
        cmocka_unit_test(peaks_equal_the_plain_loop),
        cmocka_unit_test(a_step_of_the_phase_stands_out),
        cmocka_unit_test(silence_cannot_be_trained_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
