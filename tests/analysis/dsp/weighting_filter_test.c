#include "analysis/dsp/weighting_filter.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

static const int rates_hz[] = {44100, 48000, 96000, 192000, 768000};
enum { RATES = sizeof rates_hz / sizeof *rates_hz };

/* ITU-R BS.468-4: the table and its tolerances (from memory; at 6.3 kHz, the reference
 * there, 0.1 dB is allowed for the table's rounding, at 31.5 kHz anything below). */
static const struct {
    double hz, db, below_db, above_db;
} rows[] = {
    {31.5, -29.9, 2.0, 2.0},  {63, -23.9, 1.4, 1.4},    {100, -19.8, 1.0, 1.0},
    {200, -13.8, 0.85, 0.85}, {400, -7.8, 0.7, 0.7},    {800, -1.9, 0.55, 0.55},
    {1000, 0, 0.5, 0.5},      {2000, 5.6, 0.5, 0.5},    {3150, 9.0, 0.5, 0.5},
    {4000, 10.5, 0.5, 0.5},   {5000, 11.7, 0.5, 0.5},   {6300, 12.2, 0.1, 0.1},
    {7100, 12.0, 0.2, 0.2},   {8000, 11.4, 0.4, 0.4},   {9000, 10.1, 0.6, 0.6},
    {10000, 8.1, 0.8, 0.8},   {12500, 0, 1.2, 1.2},     {14000, -5.3, 1.4, 1.4},
    {16000, -11.7, 1.6, 1.6}, {20000, -22.2, 2.0, 2.0}, {31500, -42.7, 50, 2.8},
};

static struct weighting_filter *filter_at(int rate_hz)
{
    struct weighting_filter *filter = NULL;
    struct problem problem = {0};
    assert_true(weighting_filter_new(rate_hz, &filter, &problem));
    return filter;
}

/* Level of a weighted sine over a tenth of a second and more: whole periods of 31.5 Hz as
 * well as of the others, after as long to settle. */
static double weighted_db(int rate_hz, double hz)
{
    struct weighting_filter *filter = filter_at(rate_hz);
    int periods = (int)ceil(0.1 * hz), settle = (int)(0.05 * rate_hz) / 16 * 16;
    int whole = (int)lround(periods * (double)rate_hz / hz),
        count = (settle + whole + 15) / 16 * 16;
    double *x = malloc((size_t)count * sizeof *x), sum = 0;
    double *y = malloc((size_t)weighting_filter_output(filter, count) * sizeof *y);
    assert_non_null(x);
    assert_non_null(y);
    for (int n = 0; n < count; n++)
        x[n] = sin(2 * M_PI * hz / rate_hz * n);
    weighting_filter_run(filter, x, count, 0, y);
    int from = weighting_filter_output(filter, settle);
    int took = (int)lround(periods * weighting_filter_rate_hz(filter) / hz);
    for (int n = 0; n < took; n++)
        sum += y[from + n] * y[from + n];
    free(x);
    free(y);
    weighting_filter_free(filter);
    return 10 * log10(2 * sum / took);
}

static void every_row_of_the_table_at_every_rate(void **state)
{
    (void)state;
    for (int r = 0; r < RATES; r++)
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
            if (rows[i].hz >= rates_hz[r] / 2.0)
                continue;
            double db = weighted_db(rates_hz[r], rows[i].hz);
            assert_between(db, rows[i].db - rows[i].below_db,
                           rows[i].db + rows[i].above_db);
            /* Up to 20 kHz it is far closer, which the tolerances would not show. */
            if (rows[i].hz <= 20000)
                assert_close(db, rows[i].db, 0.1);
        }
}

/* Rates in between, and the lowest and the highest that a recording may have. */
static void odd_rates_are_weighted_alike(void **state)
{
    static const int odd_hz[] = {8000, 11025, 32000, 64000, 127999, 128000, 705600};
    (void)state;
    for (size_t r = 0; r < sizeof odd_hz / sizeof *odd_hz; r++) {
        assert_close(weighted_db(odd_hz[r], 1000), 0, 0.02);
        assert_close(weighted_db(odd_hz[r], 3150), 8.975, 0.02);
    }
}

/* Straight into the detector or by way of weighted samples: the same, whatever the size
 * of the pieces. */
static void the_detector_reads_the_same_either_way(void **state)
{
    enum { COUNT = 9600 };
    double x[COUNT], y[2 * COUNT], sum = 0, highest = 0;
    struct support_random random = support_random_seed(4);
    (void)state;
    for (int n = 0; n < COUNT; n++)
        x[n] = support_gaussian(&random);
    for (int r = 0; r < RATES; r++) {
        struct weighting_filter *one = filter_at(rates_hz[r]),
                                *other = filter_at(rates_hz[r]);
        struct quasi_peak at_rest = quasi_peak_at(weighting_filter_rate_hz(one)),
                          needle = at_rest;
        struct quasi_peak_reading part;
        sum = highest = 0;
        weighting_filter_run(one, x, COUNT, 0.1, y);
        struct quasi_peak_reading want =
            quasi_peak_run(&at_rest, y, weighting_filter_output(one, COUNT));
        for (int first = 0, size = 16; first < COUNT; first += size, size *= 2) {
            size = size < COUNT - first ? size : COUNT - first;
            weighting_filter_read(other, x + first, size, 0.1, &needle, &part);
            sum += part.sum;
            highest = fmax(highest, part.highest);
        }
        assert_close(sum / want.sum, 1, 1e-12);
        assert_close(highest / want.highest, 1, 1e-12);
        assert_close(needle.held[1] / at_rest.held[1], 1, 1e-12);
        weighting_filter_free(one);
        weighting_filter_free(other);
    }
}

static void dc_is_taken_off(void **state)
{
    struct weighting_filter *filter = filter_at(48000);
    double x[1024], y[2048];
    (void)state;
    for (int n = 0; n < 1024; n++)
        x[n] = 0.25;
    weighting_filter_run(filter, x, 1024, 0.25, y);
    for (int n = 0; n < 2048; n++)
        assert_true(y[n] == 0);
    weighting_filter_free(filter);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_row_of_the_table_at_every_rate),
        cmocka_unit_test(odd_rates_are_weighted_alike),
        cmocka_unit_test(the_detector_reads_the_same_either_way),
        cmocka_unit_test(dc_is_taken_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
