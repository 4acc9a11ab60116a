/* `intermodulation` against closed forms and a naive oracle. */
#include "analysis/measurements/intermodulation.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/analysis/measurements/pairs.h"

static double db(double amplitude)
{
    return 20 * log10(amplitude);
}

static void add(struct pairs *pairs, int a, int b, double amplitude, double phase)
{
    pairs->lines[pairs->line_count++] = (struct pairs_line){amplitude, a, b, phase, 0};
}

/* Closed form: 7000 ± 60 Hz each at 0.1 % of the 7 kHz tone: 0.200 % added, √2·0.1 % =
 * 0.1414 % as root of the sum of squares, whatever their phases. */
static void two_sidebands_add_up_both_ways(void **state)
{
    struct pairs pairs = pairs_of(60, 7000, 0.6, 0.15);
    (void)state;
    add(&pairs, -1, 1, 0.15e-3, 0.3);
    add(&pairs, 1, 1, 0.15e-3, 2);
    pairs.noise_rms = 1e-7;
    struct report *report = pairs_measure(&pairs);
    assert_close(synthetic_value(report, 0, "modulation_distortion_percent"), 0.2, 2e-5);
    assert_close(synthetic_value(report, 0, "modulation_distortion"), db(2e-3), 1e-3);
    assert_close(synthetic_value(report, 0, "modulation_distortion_rss_percent"),
                 0.1 * M_SQRT2, 2e-5);
    assert_close(synthetic_value(report, 0, "modulation_distortion_rss"),
                 db(1e-3 * M_SQRT2), 1e-3);
    assert_close(pairs_product(report, 0, "f1+f2", PAIRS_LEVEL_DBC), -60, 1e-3);
    assert_close(synthetic_value(report, 0, "level_1"), db(0.6), 1e-4);
    assert_close(synthetic_value(report, 0, "level_2"), db(0.15), 1e-4);
    assert_close(synthetic_value(report, 0, "level_ratio"), db(4), 1e-4);
    assert_close(synthetic_value(report, 0, "peak_level"), db(0.75), 1e-4);
    assert_close(synthetic_value(report, 0, "frequency_1"), 60 * 1.000037, 6e-7);
    assert_close(synthetic_value(report, 0, "frequency_2"), 7000 * 1.000037, 7e-5);
    assert_string_equal(pairs_finding(report, 0, PAIRS_KIND), "smpte");
    assert_false(synthetic_figure(report, 0, "difference_second")->has_value);
    report_free(report);
}

/* Closed form: (1 + m·cos φ1 + n·cos 2φ1)·cos φ2 has sidebands of m/2 and n/2, which add
 * up to √(m² + n²): the depth of modulation. */
static void modulation_reads_its_depth(void **state)
{
    const double depth[2] = {0.012, 0.005}, upper = 0.18;
    struct pairs pairs = pairs_of(250, 8000, 4 * 0.18, upper);
    (void)state;
    for (int k = 1; k <= 2; k++)
        for (int side = -1; side <= 1; side += 2)
            add(&pairs, side * k, 1, upper * depth[k - 1] / 2, 0);
    struct report *report = pairs_measure(&pairs);
    assert_close(synthetic_value(report, 0, "modulation_distortion_percent"),
                 100 * hypot(depth[0], depth[1]), 1e-6);
    assert_close(synthetic_value(report, 0, "modulation_distortion_rss_percent"),
                 100 * hypot(depth[0], depth[1]) / M_SQRT2, 1e-6);
    assert_string_equal(pairs_finding(report, 0, PAIRS_KIND), "din");
    report_free(report);
}

static const double a2 = 2e-3, a3 = 3e-3;

static double bend(double x)
{
    return x + a2 * x * x + a3 * x * x * x;
}

/* Closed form: two tones of A through x + a2·x² + a3·x³ leave A + 9/4·a3·A³ of each,
 * f2−f1 and f1+f2 of a2·A², 2f1 and 2f2 of a2·A²/2, 2f1−f2 and its like of ¾·a3·A³, 3f1
 * of ¼·a3·A³. */
static void equal_tones_through_a_polynomial(void **state)
{
    static const struct {
        int rate_hz;
        double hz[2];
    } rows[] = {{44100, {13000, 14000}},
                {48000, {18000, 19000}},
                {96000, {19000, 20000}},
                {192000, {18000, 20000}},
                {768000, {19000, 20000}}};
    const double a = 0.4, tone = a + 9.0 / 4 * a3 * a * a * a;
    const double second = a2 * a * a / tone, third = 0.75 * a3 * a * a * a / tone;
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct pairs pairs = pairs_of(rows[i].hz[0], rows[i].hz[1], a, a);
        pairs.sample_rate_hz = rows[i].rate_hz;
        pairs.duration_s = 3;
        pairs.shape = bend;
        struct report *report = pairs_measure(&pairs);
        assert_close(synthetic_value(report, 0, "level_1"), db(tone), 1e-6);
        assert_close(synthetic_value(report, 0, "difference_second"), db(second / 2),
                     1e-4);
        assert_close(synthetic_value(report, 0, "difference_third"), db(third), 1e-4);
        assert_close(synthetic_value(report, 0, "difference_total_percent"),
                     100 * hypot(second / 2, third), 1e-6);
        assert_close(pairs_product(report, 0, "f2-f1", PAIRS_LEVEL_DBC), db(second),
                     1e-4);
        assert_close(pairs_product(report, 0, "2f1-f2", PAIRS_LEVEL_DBC), db(third),
                     1e-4);
        assert_close(pairs_product(report, 0, "2f2-f1", PAIRS_LEVEL_DBC), db(third),
                     1e-4);
        if (rows[i].rate_hz > 6 * rows[i].hz[1]) { /* nothing is folded onto these */
            assert_close(pairs_product(report, 0, "2f1", PAIRS_LEVEL_DBC), db(second / 2),
                         1e-4);
            assert_close(pairs_product(report, 0, "3f1", PAIRS_LEVEL_DBC), db(third / 3),
                         1e-4);
        }
        assert_string_equal(pairs_finding(report, 0, PAIRS_KIND), "difference-frequency");
        assert_string_equal(pairs_finding(report, 0, PAIRS_THIRD_COUNTS),
                            "2f1-f2 and 2f2-f1");
        assert_false(synthetic_figure(report, 0, "modulation_distortion")->has_value);
        assert_int_equal(report->warning_count, 0);
        report_free(report);
    }
}

/* On clocks 200 ppm apart that drift by 1 ppm in 10 s, and over noise: each product
 * within 0.05 dB of what was put in, and within its own half-width in at least all but a
 * few. */
static void products_on_foreign_clocks(void **state)
{
    static const struct {
        double hz[2], amplitude[2], ppm, drift_ppm_per_s;
        int rate_hz;
    } rows[] = {
        {{60, 7000}, {0.6, 0.15}, 200, 0.1, 48000},
        {{60, 7000}, {0.6, 0.15}, -200, -0.1, 96000},
        {{250, 8000}, {0.6, 0.15}, 200, 0.1, 44100},
        {{18000, 20000}, {0.4, 0.4}, -200, 0.1, 96000},
        {{19000, 20000}, {0.4, 0.4}, 200, -0.1, 192000},
    };
    static const struct {
        int a, b;
        double dbc;
        const char *expressions[2]; /* below and above f2 = 2·f1 */
    } put[] = {{-1, 1, -80, {"f2-f1", "f2-f1"}},
               {1, 1, -83, {"f1+f2", "f1+f2"}},
               {-2, 1, -86, {"2f1-f2", "f2-2f1"}},
               {-1, 2, -90, {"2f2-f1", "2f2-f1"}}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct pairs pairs = pairs_of(rows[i].hz[0], rows[i].hz[1], rows[i].amplitude[0],
                                      rows[i].amplitude[1]);
        double upper = rows[i].amplitude[1];
        pairs.sample_rate_hz = rows[i].rate_hz;
        pairs.ppm = rows[i].ppm;
        pairs.drift_ppm_per_s = rows[i].drift_ppm_per_s;
        pairs.noise_rms = 1e-6;
        for (int k = 0; k < 4; k++)
            add(&pairs, put[k].a, put[k].b, upper * pow(10, put[k].dbc / 20), k);
        struct report *report = pairs_measure(&pairs);
        for (int k = 0; k < 4; k++) {
            const char *expression =
                put[k].expressions[rows[i].hz[1] > 2 * rows[i].hz[0]];
            assert_close(pairs_product(report, 0, expression, PAIRS_LEVEL_DBC),
                         put[k].dbc, 0.05);
            assert_between(pairs_product(report, 0, expression, PAIRS_U95_DB), 1e-4,
                           0.06);
        }
        assert_close(synthetic_value(report, 0, "frequency_2") /
                         (rows[i].hz[1] *
                          (1 + 1e-6 * (rows[i].ppm + 5 * rows[i].drift_ppm_per_s))),
                     1, 2e-8);
        report_free(report);
    }
}

static double soft(double x)
{
    return tanh(x + 0.1) - tanh(0.1);
}

/* Naive oracle: the Fourier coefficient of soft(A1·cos u + A2·cos v) over both periods,
 * by the rectangle rule, which is exact for a smooth periodic function. */
static double coefficient(const double amplitude[2], int a, int b)
{
    enum { STEPS = 128 };
    double sum = 0;
    for (int i = 0; i < STEPS; i++)
        for (int k = 0; k < STEPS; k++) {
            double u = 2 * M_PI * i / STEPS, v = 2 * M_PI * k / STEPS;
            sum +=
                soft(amplitude[0] * cos(u) + amplitude[1] * cos(v)) * cos(a * u + b * v);
        }
    return 2 * sum / (STEPS * STEPS);
}

/* At 768 kHz nothing that matters is folded. At 48 kHz what is folded is listed at the
 * place where it falls, with the level it would have had: the shape is the same. */
static void every_product_of_a_soft_device(void **state)
{
    static const struct {
        const char *expression;
        int a, b;
    } rows[] = {
        {"f2-f1", -1, 1},   {"f1+f2", 1, 1},   {"2f1", 2, 0},     {"2f2", 0, 2},
        {"2f1-f2", 2, -1},  {"2f2-f1", -1, 2}, {"2f1+f2", 2, 1},  {"f1+2f2", 1, 2},
        {"3f1", 3, 0},      {"3f2", 0, 3},     {"3f1-f2", 3, -1}, {"2f2-2f1", -2, 2},
        {"3f2-f1", -1, 3},  {"3f1+f2", 3, 1},  {"2f1+2f2", 2, 2}, {"f1+3f2", 1, 3},
        {"4f1", 4, 0},      {"4f2", 0, 4},     {"4f1-f2", 4, -1}, {"3f1-2f2", 3, -2},
        {"3f2-2f1", -2, 3}, {"4f2-f1", -1, 4}, {"4f1+f2", 4, 1},  {"3f1+2f2", 3, 2},
        {"2f1+3f2", 2, 3},  {"f1+4f2", 1, 4},  {"5f1", 5, 0},     {"5f2", 0, 5}};
    const double amplitude[2] = {0.5, 0.4};
    double upper = coefficient(amplitude, 0, 1);
    (void)state;
    for (int r = 0; r < 2; r++) {
        struct pairs pairs = pairs_of(10301, 11477, amplitude[0], amplitude[1]);
        pairs.sample_rate_hz = r ? 48000 : 768000;
        pairs.duration_s = r ? 10 : 4;
        pairs.ppm = 0;
        pairs.shape = soft;
        struct report *report = pairs_measure(&pairs);
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
            const char *expression = rows[i].expression;
            double hz = fabs(rows[i].a * 10301.0 + rows[i].b * 11477.0);
            bool aliased = 2 * hz > pairs.sample_rate_hz;
            double rest = fmod(hz, pairs.sample_rate_hz);
            assert_close(pairs_product(report, 0, expression, PAIRS_FREQUENCY_HZ),
                         aliased ? fmin(rest, pairs.sample_rate_hz - rest) : hz, 1e-3);
            assert_close(pairs_product(report, 0, expression, PAIRS_LEVEL_DBC),
                         db(fabs(coefficient(amplitude, rows[i].a, rows[i].b) / upper)),
                         2e-3);
            assert_int_equal(
                pairs_product_cell(report, 0, expression, PAIRS_ALIASED)->flag, aliased);
            assert_close(pairs_product(report, 0, expression, PAIRS_ORDER),
                         abs(rows[i].a) + abs(rows[i].b), 0);
        }
        report_free(report);
    }
}

/* A clean pair in double precision: the program's own floor. */
static void a_clean_pair_is_below_the_noise(void **state)
{
    static const double rows[][3] = {{60, 7000, 4}, {19000, 20000, 1}};
    static const char *const figures[] = {"modulation_distortion", "difference_total"};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct pairs pairs = pairs_of(rows[i][0], rows[i][1], 0.2 * rows[i][2], 0.2);
        struct report *report = pairs_measure(&pairs);
        const struct report_figure *figure = synthetic_figure(report, 0, figures[i]);
        assert_false(figure->has_value);
        assert_int_equal(figure->reason, REASON_BELOW_NOISE);
        assert_between(figure->bound, -400, -150);
        report_free(report);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_sidebands_add_up_both_ways),
        cmocka_unit_test(modulation_reads_its_depth),
        cmocka_unit_test(equal_tones_through_a_polynomial),
        cmocka_unit_test(products_on_foreign_clocks),
        cmocka_unit_test(every_product_of_a_soft_device),
        cmocka_unit_test(a_clean_pair_is_below_the_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
