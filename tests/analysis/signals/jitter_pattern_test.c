#include "analysis/signals/jitter_pattern.h"

#include <complex.h>

#include "tests/analysis/signals/rendering.h"

static struct settings settings_of(int rate_hz, int bits, int pattern_bits)
{
    struct settings settings =
        rendering_settings(&jitter_pattern_signal, rate_hz, bits, 2, 0.1);
    rendering_give(&settings, JITTER_PATTERN_BITS, pattern_bits);
    return settings;
}

/* By hand, of 16 bits: C000 C000 4000 4000 and, from frame 96 on, BFFF BFFF 3FFF 3FFF. */
static void samples_are_exact(void **state)
{
    (void)state;
    static const struct {
        int bits, pattern_bits;
        int32_t half, step;
    } cases[] = {{16, 16, 0x4000, 1},
                 {24, 16, 0x400000, 0x100},
                 {24, 24, 0x400000, 1},
                 {32, 16, 0x40000000, 0x10000},
                 {32, 24, 0x40000000, 0x100}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct settings settings =
            settings_of(48000, cases[i].bits, cases[i].pattern_bits);
        int32_t *samples = rendering_whole(&jitter_pattern_signal, &settings, 1000);
        for (int n = 0; n < 4800; n++) {
            int32_t want = n % 4 < 2 ? -cases[i].half : cases[i].half;
            if (n / 96 % 2 == 1)
                want -= cases[i].step;
            assert_int_equal(samples[2 * n], want);
            assert_int_equal(samples[2 * n + 1], want);
        }
        free(samples);
    }
}

/* Size of the line at k/192 of the sample rate, by its own sum. */
static double line(const int32_t *samples, int bits, int k)
{
    double complex sum = 0;
    for (int n = 0; n < JITTER_PATTERN_FRAMES; n++)
        sum +=
            ldexp(samples[2 * n], 1 - bits) *
            cexp(-2 * M_PI * I * (k * n % JITTER_PATTERN_FRAMES) / JITTER_PATTERN_FRAMES);
    return 2 * cabs(sum) / JITTER_PATTERN_FRAMES;
}

/* Lines (LSB/2)(4/192)/sin(πk/192) beside a carrier of ½·√2: dBc computed from that. */
static void lines_are_those_of_the_squares(void **state)
{
    (void)state;
    static const struct {
        int bits, k;
        double dbc;
    } cases[] = {{16, 1, -91.22},
                 {16, 3, -100.76},
                 {16, 95, -126.94},
                 {24, 1, -139.39},
                 {24, 3, -148.92}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        for (int bits = cases[i].bits; bits <= 32; bits += 8) {
            struct settings settings = settings_of(48000, bits, cases[i].bits);
            int32_t *samples = rendering_whole(&jitter_pattern_signal, &settings, 4096);
            double carrier = line(samples, bits, 48);
            /* The slow square has no line of even k: not at the carrier either. */
            assert_close(carrier, M_SQRT1_2, 1e-12);
            assert_close(20 * log10(line(samples, bits, cases[i].k) / carrier),
                         cases[i].dbc, 0.005);
            for (int k = 2; k < 48; k += 2)
                assert_close(line(samples, bits, k), 0, 1e-14);
            free(samples);
        }
    }
}

static void pattern_wider_than_the_samples_is_refused(void **state)
{
    (void)state;
    struct settings settings = settings_of(48000, 16, 24);
    rendering_refused(&jitter_pattern_signal, &settings, "pattern_bits", "16 bits");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(samples_are_exact),
        cmocka_unit_test(lines_are_those_of_the_squares),
        cmocka_unit_test(pattern_wider_than_the_samples_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
