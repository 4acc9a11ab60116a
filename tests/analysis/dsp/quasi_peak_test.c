#include "analysis/dsp/quasi_peak.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/weighting.h"
#include "analysis/dsp/weighting_filter.h"
#include "tests/support/support.h"

static const int rates_hz[] = {44100, 48000, 96000, 192000, 768000};
enum { RATES = sizeof rates_hz / sizeof *rates_hz };

static const double burst_hz = 5000;

/* Bursts of a sine that begin every `period_s`; from 0 on, for `length_s` each. */
struct bursts {
    double hz, length_s, period_s;
};

/* The needle over `duration_s` of bursts. *ret_last: over the last fifth of it. */
static struct quasi_peak_reading read_bursts(int rate_hz, const struct bursts *bursts,
                                             double duration_s, double *ret_last)
{
    enum { BLOCK = 4800 / 16 * 16 };
    struct weighting_filter *filter = NULL;
    struct problem problem = {0};
    assert_true(weighting_filter_new(rate_hz, &filter, &problem));
    struct quasi_peak detector = quasi_peak_at(weighting_filter_rate_hz(filter));
    struct quasi_peak_reading all = {0, 0};
    int blocks = (int)(duration_s * rate_hz / BLOCK), last = blocks - blocks / 5;
    double x[BLOCK], *y = malloc(8 * BLOCK * sizeof *y), sum = 0;
    int64_t length = llround(bursts->length_s * rate_hz), summed = 0;
    assert_non_null(y);
    for (int block = 0; block < blocks; block++) {
        for (int n = 0; n < BLOCK; n++) {
            int64_t at = (int64_t)block * BLOCK + n;
            int64_t burst = (int64_t)((double)at / (bursts->period_s * rate_hz));
            int64_t since = at - llround((double)burst * bursts->period_s * rate_hz);
            bool on = since >= 0 && since < length;
            x[n] = on ? sin(2 * M_PI * bursts->hz / rate_hz * (double)since) : 0;
        }
        weighting_filter_run(filter, x, BLOCK, 0, y);
        int count = weighting_filter_output(filter, BLOCK);
        struct quasi_peak_reading reading = quasi_peak_run(&detector, y, count);
        all.highest = fmax(all.highest, reading.highest);
        if (block >= last) {
            sum += reading.sum;
            summed += count;
        }
    }
    *ret_last = sum / (double)summed;
    free(y);
    weighting_filter_free(filter);
    return all;
}

static double steady_reading(int rate_hz, double hz)
{
    double reading;
    read_bursts(rate_hz, &(struct bursts){hz, 1e3, 1e3}, 4, &reading);
    return reading;
}

/* The Recommendation's table of single bursts of 5 kHz, in percent of the steady reading,
 * with its limits (from memory). */
static void single_bursts_read_as_the_table_says(void **state)
{
    static const struct {
        double ms, percent, lowest, highest;
    } rows[] = {{1, 17.0, 13.5, 21.4}, {2, 26.6, 22.4, 31.6}, {5, 40, 34, 46},
                {10, 48, 41, 55},      {20, 52, 44, 60},      {50, 59, 50, 68},
                {100, 68, 58, 78},     {200, 80, 68, 92}};
    (void)state;
    for (int r = 0; r < RATES; r++) {
        double steady = steady_reading(rates_hz[r], burst_hz), last;
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
            struct bursts bursts = {burst_hz, rows[i].ms / 1e3, 1e3};
            double percent =
                100 * read_bursts(rates_hz[r], &bursts, 0.5, &last).highest / steady;
            assert_between(percent, rows[i].lowest, rows[i].highest);
            assert_close(percent / rows[i].percent, 1, 0.03);
        }
    }
}

/* Bursts of 5 ms, so many a second: 48, 77, 97 % (from memory, as are the limits). */
static void repeated_bursts_read_as_the_table_says(void **state)
{
    static const struct {
        double per_s, lowest, highest;
    } rows[] = {{2, 43, 53}, {10, 72, 82}, {100, 94, 100}};
    (void)state;
    for (int r = 0; r < RATES; r++) {
        double steady = steady_reading(rates_hz[r], burst_hz), last;
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
            struct bursts bursts = {burst_hz, 0.005, 1 / rows[i].per_s};
            double percent =
                100 * read_bursts(rates_hz[r], &bursts, 4, &last).highest / steady;
            assert_between(percent, rows[i].lowest, rows[i].highest);
        }
    }
}

/* By definition: the reading of a sine of 1 kHz is its rms; other frequencies follow the
 * curve, those between samples too. */
static void a_steady_sine_reads_its_weighted_rms(void **state)
{
    static const double frequencies_hz[] = {100.3, 997, 3150.7, 8000, 12503.9};
    (void)state;
    for (int r = 0; r < RATES; r++) {
        double reading = steady_reading(rates_hz[r], 1000);
        assert_close(20 * log10(reading * M_SQRT2), 0, 0.01);
    }
    for (size_t i = 0; i < sizeof frequencies_hz / sizeof *frequencies_hz; i++) {
        double hz = frequencies_hz[i], reading = steady_reading(44100, hz);
        assert_close(20 * log10(reading * M_SQRT2), 10 * log10(weighting_468_power(hz)),
                     0.15);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(single_bursts_read_as_the_table_says),
        cmocka_unit_test(repeated_bursts_read_as_the_table_says),
        cmocka_unit_test(a_steady_sine_reads_its_weighted_rms),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
