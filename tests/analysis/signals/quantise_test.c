#include "analysis/signals/quantise.h"

#include <math.h>

#include "tests/support/support.h"

/* Ties to even, and held within ±2^(bits−1): by hand. */
static void values_are_rounded_and_held(void **state)
{
    (void)state;
    static const struct {
        double value;
        int32_t at_16, at_32;
    } cases[] = {
        {0.5, 0, 0},
        {1.5, 2, 2},
        {-0.5, 0, 0},
        {-2.5, -2, -2},
        {32767.4, 32767, 32767},
        {32768, 32767, 32768},
        {-32769, -32768, -32769},
        {3e9, 32767, INT32_MAX},
        {-3e9, -32768, INT32_MIN},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct quantise narrow = quantise_begin(16, false);
        struct quantise wide = quantise_begin(32, false);
        int32_t frame[2];
        quantise_frame(&narrow, cases[i].value, 1, frame);
        quantise_frame(&wide, cases[i].value, 1, frame + 1);
        assert_int_equal(frame[0], cases[i].at_16);
        assert_int_equal(frame[1], cases[i].at_32);
    }
}

/* TPDF dither (closed form, from memory: Lipshitz, Wannamaker, Vanderkooy 1992): the
 * error has mean 0 and variance ¼ whatever the value; each channel has its own. Six
 * standard errors of 200000 values. */
static void dither_is_triangular_and_of_each_channel(void **state)
{
    (void)state;
    enum { FRAMES = 200000 };
    static const double values[] = {0, 0.25, 0.5, -1000.77};
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        struct quantise quantise = quantise_begin(24, true);
        double sum = 0, squares = 0, cross = 0;
        for (int n = 0; n < FRAMES; n++) {
            int32_t frame[16];
            quantise_frame(&quantise, values[i], 16, frame);
            double first = frame[0] - values[i], last = frame[15] - values[i];
            sum += first;
            squares += first * first;
            cross += first * last;
        }
        assert_close(sum / FRAMES, 0, 6 * 0.5 / sqrt(FRAMES));
        assert_close(squares / FRAMES, 0.25, 6 * 0.35 / sqrt(FRAMES));
        assert_close(4 * cross / FRAMES, 0, 6 / sqrt(FRAMES));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_are_rounded_and_held),
        cmocka_unit_test(dither_is_triangular_and_of_each_channel),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
