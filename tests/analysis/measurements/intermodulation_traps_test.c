/* What `intermodulation` must not be misled by. */
#include "analysis/measurements/intermodulation.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/measurements/floor.h"
#include "tests/analysis/measurements/pairs.h"

static double db(double amplitude)
{
    return 20 * log10(amplitude);
}

static void add(struct pairs *pairs, int a, int b, double amplitude, double phase)
{
    pairs->lines[pairs->line_count++] = (struct pairs_line){amplitude, a, b, phase, 0};
}

/* By arithmetic: at 48 kHz 18 and 20 kHz leave multiples of 2 kHz, on which several
 * products fall; unfolded ones go first, then lower orders. */
static void products_that_coincide_are_named_once(void **state)
{
    static const struct {
        const char *expression, *held_by;
    } rows[] = {{"f2-f1", ""},         {"2f1-f2", ""},        {"2f2-f1", ""},
                {"2f2-2f1", ""},       {"3f1-2f2", ""},       {"f1+f2", ""},
                {"2f1", ""},           {"2f2", ""},           {"2f1+f2", "2f2"},
                {"f1+2f2", "f1+f2"},   {"3f1", ""},           {"3f2", "2f1"},
                {"3f1-f2", "3f1-2f2"}, {"3f2-f1", "3f1"},     {"3f1+f2", "2f2-f1"},
                {"2f1+2f2", "f2"},     {"f1+3f2", "f1"},      {"4f2", "2f1-f2"},
                {"4f1-f2", "2f2-2f1"}, {"4f2-f1", "3f1-2f2"}, {"4f1+f2", "2f2-2f1"},
                {"3f1+2f2", "f2-f1"},  {"f1+4f2", "f2-f1"},   {"5f1", "3f1"},
                {"5f2", "2f2-2f1"}};
    struct pairs pairs = pairs_of(18000, 20000, 0.4, 0.4);
    (void)state;
    pairs.ppm = 0;
    add(&pairs, 2, -1, 0.4e-3, 0); /* 16 kHz */
    add(&pairs, 1, 1, 0.2e-3, 0);  /* 10 kHz */
    struct report *report = pairs_measure(&pairs);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_string_equal(
            pairs_product_word(report, 0, rows[i].expression, PAIRS_COINCIDES_WITH),
            rows[i].held_by);
        if (rows[i].held_by[0]) {
            assert_true(
                isnan(pairs_product(report, 0, rows[i].expression, PAIRS_LEVEL_DBC)));
            assert_true(
                isnan(pairs_product(report, 0, rows[i].expression, PAIRS_BOUND_DBC)));
        }
    }
    assert_close(pairs_product(report, 0, "2f1-f2", PAIRS_LEVEL_DBC), -60, 1e-4);
    assert_close(pairs_product(report, 0, "f1+f2", PAIRS_LEVEL_DBC), db(0.5e-3), 1e-4);
    /* 24 kHz is half the sample rate, 22 kHz beyond 0.45 of it */
    assert_true(isnan(pairs_product(report, 0, "3f2-2f1", PAIRS_BOUND_DBC)));
    assert_string_equal(pairs_product_word(report, 0, "2f2-f1", PAIRS_COUNTED_IN), "");
    assert_string_equal(pairs_product_word(report, 0, "f1+f2", PAIRS_COUNTED_IN), "");
    assert_string_equal(pairs_product_word(report, 0, "2f1-f2", PAIRS_COUNTED_IN),
                        "difference_third");
    assert_string_equal(pairs_finding(report, 0, PAIRS_THIRD_COUNTS), "2f1-f2");
    assert_close(synthetic_value(report, 0, "difference_third"), db(0.5e-3), 1e-4);
    assert_close(synthetic_value(report, 0, "difference_total"), db(0.5e-3), 1e-4);
    report_free(report);
}

/* 19 and 20 kHz at 44.1 kHz: 21 kHz is beyond 0.45 of the rate (19.845), though in the
 * recording and in the list; 18 kHz alone is counted, and the finding says so. */
static void a_third_order_with_one_product(void **state)
{
    struct pairs pairs = pairs_of(19000, 20000, 0.4, 0.4);
    (void)state;
    pairs.sample_rate_hz = 44100;
    add(&pairs, 2, -1, 0.8e-3, 0);
    add(&pairs, -1, 2, 0.8e-3, 1);
    add(&pairs, -1, 1, 1.2e-3, 1);
    struct report *report = pairs_measure(&pairs);
    assert_string_equal(pairs_finding(report, 0, PAIRS_THIRD_COUNTS), "2f1-f2");
    assert_close(synthetic_value(report, 0, "difference_third_percent"), 0.1, 1e-5);
    assert_close(synthetic_value(report, 0, "difference_second_percent"), 0.15, 1e-5);
    assert_close(synthetic_value(report, 0, "difference_total_percent"), hypot(0.1, 0.15),
                 1e-5);
    assert_close(pairs_product(report, 0, "2f2-f1", PAIRS_LEVEL_DBC), db(2e-3), 1e-3);
    report_free(report);
}

/* Products beyond band_hz count all the same. */
static void high_pairs_at_high_rates(void **state)
{
    static const struct {
        int rate_hz, channels;
        double hz[2], amplitude;
    } rows[] = {{192000, 1, {60000, 62000}, 0.4},
                {768000, 1, {250000, 270000}, 0.4},
                {96000, 8, {30000, 31000}, 0.4}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct settings settings;
        struct problem problem = {0};
        struct pairs pairs =
            pairs_of(rows[i].hz[0], rows[i].hz[1], rows[i].amplitude, rows[i].amplitude);
        pairs.sample_rate_hz = rows[i].rate_hz;
        pairs.channels = rows[i].channels;
        pairs.duration_s = 2;
        add(&pairs, 2, -1, rows[i].amplitude * 1e-4, 0);
        add(&pairs, -1, 2, rows[i].amplitude * 1e-4, 0);
        synthetic_defaults(&intermodulation_measurement.description, &settings);
        pairs_set(&settings, "frequency_1_hz", rows[i].hz[0]);
        pairs_set(&settings, "frequency_2_hz", rows[i].hz[1]);
        struct report *report = pairs_try(&pairs, &settings, &problem);
        assert_non_null(report);
        for (int c = 0; c < rows[i].channels; c++)
            assert_close(synthetic_value(report, c, "difference_third"), -80, 1e-3);
        report_free(report);
    }
}

/* 1 s: as few segments as there are; short of a half-width, never of the value. */
static void one_second_is_enough(void **state)
{
    static const int rates[] = {8000, 44100, 48000, 192000};
    (void)state;
    for (size_t i = 0; i < sizeof rates / sizeof *rates; i++) {
        double upper_hz = rates[i] > 8000 ? 7000 : 3000;
        struct pairs pairs = pairs_of(60, upper_hz, 0.6, 0.15);
        pairs.sample_rate_hz = rates[i];
        pairs.duration_s = 1;
        pairs.noise_rms = 1e-6;
        add(&pairs, -1, 1, 0.15e-3, 0.3);
        add(&pairs, 1, 1, 0.15e-3, 2);
        struct report *report = pairs_measure(&pairs);
        assert_close(synthetic_value(report, 0, "modulation_distortion_percent"), 0.2,
                     1e-3);
        assert_close(synthetic_value(report, 0, "level_1"), db(0.6), 1e-3);
        report_free(report);
    }
}

/* At 2:3 2f1-f2 falls on f2-f1: what is there is neither alone, and which kind the pair
 * is must not hang on the last digit of a frequency. Just below, the same. */
static void what_two_products_share_is_no_figure(void **state)
{
    static const double upper_hz[] = {660, 659.7};
    (void)state;
    for (int i = 0; i < 2; i++)
        for (uint64_t seed = 1; seed <= 6; seed++) {
            struct pairs pairs = pairs_of(440, upper_hz[i], 0.2, 0.2);
            pairs.noise_rms = 1e-5;
            pairs.random = support_random_seed(seed);
            pairs.duration_s = 4;
            add(&pairs, -1, 1, 0.2e-3, 0);
            add(&pairs, 2, -1, 0.2e-4, 0);
            struct report *report = pairs_measure(&pairs);
            const struct report_figure *figure =
                synthetic_figure(report, 0, "difference_second");
            assert_string_equal(pairs_finding(report, 0, PAIRS_KIND),
                                i ? "difference-frequency" : "pair");
            assert_false(figure->has_value);
            assert_int_equal(figure->reason, REASON_NOT_DETERMINABLE);
            report_free(report);
        }
}

/* Without a product every figure is a bound: nothing in it is claimed, and what would
 * have stood out is not excluded. */
static void noise_alone_is_a_bound(void **state)
{
    static const double hz[][2] = {{60, 7000}, {19000, 20000}};
    static const char *const figures[][3] = {
        {"modulation_distortion", "modulation_distortion_rss", NULL},
        {"difference_second", "difference_third", "difference_total"}};
    (void)state;
    for (int i = 0; i < 2; i++)
        for (uint64_t seed = 1; seed <= 8; seed++) {
            struct pairs pairs = pairs_of(hz[i][0], hz[i][1], i ? 0.4 : 0.6, 0.4);
            pairs.noise_rms = 1e-4;
            pairs.random = support_random_seed(seed);
            pairs.duration_s = 4;
            struct report *report = pairs_measure(&pairs);
            /* mean square of noise in a lobe of 15 bins, as an amplitude re 0.4 */
            double lobe = sqrt(2 * 1e-8 * 15 / (1 << 14)) / 0.4;
            for (int f = 0; f < 3 && figures[i][f]; f++) {
                const struct report_figure *figure =
                    synthetic_figure(report, 0, figures[i][f]);
                assert_false(figure->has_value);
                assert_int_equal(figure->reason, REASON_BELOW_NOISE);
                assert_between(figure->bound, db(lobe / 8), db(lobe * 6));
            }
            report_free(report);
        }
}

/* One sideband stands out, the other may be anything up to its bound: the sum says so. */
static void a_hidden_sideband_widens_the_sum(void **state)
{
    struct pairs pairs = pairs_of(60, 7000, 0.6, 0.15);
    const double shown = 0.15e-3, hidden = 0.15e-5;
    (void)state;
    pairs.noise_rms = 2e-4;
    add(&pairs, -1, 1, shown, 0.3);
    add(&pairs, 1, 1, hidden, 2);
    struct report *report = pairs_measure(&pairs);
    const struct report_figure *figure =
        synthetic_figure(report, 0, "modulation_distortion_percent");
    double truth = 100 * (shown + hidden) / 0.15;
    double bound = pow(10, pairs_product(report, 0, "f1+f2", PAIRS_BOUND_DBC) / 20);
    assert_true(figure->has_value);
    assert_close(figure->value, truth, figure->u95);
    assert_between(bound, hidden / 0.15, shown / 0.15);
    assert_between(figure->u95, 0.3 * 100 * bound, 4 * 100 * bound);
    report_free(report);
}

/* A line that is no product stands four bins from f2−f1, in its lobe. */
static void a_stranger_in_a_lobe_is_no_product(void **state)
{
    struct pairs pairs = pairs_of(19000, 20000, 0.4, 0.4);
    (void)state;
    for (int both = 0; both < 2; both++) {
        pairs.line_count = 0;
        pairs.lines[pairs.line_count++] =
            (struct pairs_line){0.4e-3, 0, 0, 0, 1000 + 4 * 48000.0 / 65536};
        if (both)
            add(&pairs, -1, 1, 0.2e-3, 0);
        struct report *report = pairs_measure(&pairs);
        const struct report_figure *figure =
            synthetic_figure(report, 0, "difference_second");
        assert_false(figure->has_value);
        assert_int_equal(figure->reason, REASON_NOT_DETERMINABLE);
        /* all that is in the lobe; of the stranger its edge is cut */
        assert_between(figure->bound, db(0.49e-3), db(0.6e-3));
        assert_true(isnan(pairs_product(report, 0, "f2-f1", PAIRS_LEVEL_DBC)));
        assert_int_equal(synthetic_figure(report, 0, "difference_third")->reason,
                         REASON_BELOW_NOISE);
        report_free(report);
    }
}

/* Closed form: phases that walk at random leave a pedestal that falls by 6 dB an octave
 * about each tone. It is no sideband, and sidebands on it keep their level. */
static void sidebands_on_a_pedestal(void **state)
{
    (void)state;
    for (int with = 0; with < 2; with++) {
        struct pairs pairs = pairs_of(60, 7000, 0.6, 0.15);
        pairs.wander_cycles = 2e-6;
        pairs.duration_s = 20;
        if (with) {
            add(&pairs, -1, 1, 0.15e-3, 0.3);
            add(&pairs, 1, 1, 0.15e-3, 2);
        }
        struct report *report = pairs_measure(&pairs);
        const struct report_figure *figure =
            synthetic_figure(report, 0, "modulation_distortion");
        if (with) {
            assert_true(figure->has_value);
            assert_close(figure->value, db(2e-3), 0.05);
            assert_close(figure->value, db(2e-3), figure->u95);
        } else {
            assert_false(figure->has_value);
            /* The density 60 Hz away: (2π·rms step)²·fs/(2π·60)² per Hz of the tone; 15
             * bins of 0.73 Hz hold −92.3 dBc, of which some hides in the scatter. */
            assert_between(figure->bound, -92.3 - 12, -92.3 + 6);
        }
        report_free(report);
    }
}

/* One silent channel, one with a single tone, one with the pair: each for itself. */
static void channels_are_never_mixed(void **state)
{
    struct pairs pairs = pairs_of(18000, 20000, 0.4, 0.4);
    (void)state;
    pairs.channels = 4;
    pairs.gain[0][1] = pairs.gain[1][1] = -1;
    pairs.gain[0][2] = -1;
    pairs.gain[0][3] = -0.1;
    struct report *report = pairs_measure(&pairs);
    assert_close(synthetic_value(report, 0, "level_ratio"), 0, 1e-6);
    assert_int_equal(synthetic_figure(report, 1, "level_1")->reason,
                     REASON_DIGITAL_SILENCE);
    assert_int_equal(synthetic_figure(report, 2, "level_1")->reason,
                     REASON_NOT_DETERMINABLE);
    assert_close(synthetic_value(report, 3, "level_ratio"), db(0.9), 1e-6);
    assert_string_equal(pairs_finding(report, 2, PAIRS_KIND), "");
    report_free(report);
}

static void silence_is_answered(void **state)
{
    struct pairs pairs = pairs_of(18000, 20000, 0, 0);
    (void)state;
    struct report *report = pairs_measure(&pairs);
    for (int i = 0; i < report->description->figure_count; i++)
        assert_int_equal(report->channels[0].figures[i].reason, REASON_DIGITAL_SILENCE);
    report_free(report);
}

static double clip(double x)
{
    return fmax(-0.7, fmin(0.7, x));
}

/* Naive oracle: the Fourier coefficient of clip(0.4·cos u + 0.4·cos v), by the rectangle
 * rule: its error falls with the square of the step. */
static double clipped(int a, int b)
{
    enum { STEPS = 2048 };
    static double cosine[STEPS];
    double sum = 0;
    for (int i = 0; i < STEPS; i++)
        cosine[i] = cos(2 * M_PI * i / STEPS);
    for (int i = 0; i < STEPS; i++)
        for (int k = 0; k < STEPS; k++)
            sum += clip(0.4 * cosine[i] + 0.4 * cosine[k]) *
                   cosine[((a * i + b * k) % STEPS + STEPS) % STEPS];
    return 2 * sum / STEPS / STEPS;
}

static void a_clipped_pair_reads_its_fourier_series(void **state)
{
    struct pairs pairs = pairs_of(19000, 20000, 0.4, 0.4);
    double upper = clipped(0, 1);
    (void)state;
    pairs.sample_rate_hz = 768000;
    pairs.duration_s = 3;
    pairs.shape = clip;
    struct report *report = pairs_measure(&pairs);
    assert_close(synthetic_value(report, 0, "level_2"), db(upper), 0.001);
    assert_close(synthetic_value(report, 0, "difference_third"),
                 db(fabs(clipped(2, -1)) / upper), 0.01);
    assert_close(pairs_product(report, 0, "3f1-2f2", PAIRS_LEVEL_DBC),
                 db(fabs(clipped(3, -2)) / upper), 0.01);
    report_free(report);
}

/* Closed form: a recorder's own product 18 dB below the device's may have taken
 * −20·log10(1 − 10^(−18/20)) = 1.17 dB from it. */
static void a_recorder_with_products_of_its_own(void **state)
{
    struct report *reports[2];
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct pairs pairs = pairs_of(13000, 14000, 0.4, 0.4);
        pairs.duration_s = 3;
        add(&pairs, -1, 1, 0.8 * pow(10, (i ? -98.0 : -80.0) / 20), 0);
        reports[i] = pairs_measure(&pairs);
    }
    floor_apply(reports[0], reports[1]);
    const struct report_figure *figure =
        synthetic_figure(reports[0], 0, "difference_second");
    assert_close(figure->value, -80, 1e-3);
    assert_close(figure->u95, -20 * log10(1 - pow(10, -18.0 / 20)), 1e-3);
    assert_int_equal(reports[0]->warning_count, 1);
    assert_string_equal(reports[0]->warnings[0].code, "near_instrument_floor");
    assert_non_null(strstr(reports[0]->warnings[0].message, "difference_second"));
    report_free(reports[0]);
    report_free(reports[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(products_that_coincide_are_named_once),
        cmocka_unit_test(a_third_order_with_one_product),
        cmocka_unit_test(high_pairs_at_high_rates),
        cmocka_unit_test(one_second_is_enough),
        cmocka_unit_test(what_two_products_share_is_no_figure),
        cmocka_unit_test(noise_alone_is_a_bound),
        cmocka_unit_test(a_hidden_sideband_widens_the_sum),
        cmocka_unit_test(a_stranger_in_a_lobe_is_no_product),
        cmocka_unit_test(sidebands_on_a_pedestal),
        cmocka_unit_test(channels_are_never_mixed),
        cmocka_unit_test(silence_is_answered),
        cmocka_unit_test(a_clipped_pair_reads_its_fourier_series),
        cmocka_unit_test(a_recorder_with_products_of_its_own),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
