/* Closed forms: amplitude modulation of depth m has sidebands of m/2 in phase, phase
 * modulation of peak β has sidebands of β/2 in quadrature, a line beside the carrier
 * shows half of its amplitude as either. The oracle of a line's bins is the plain sum of
 * windowed samples. */
#include "analysis/dsp/demodulate.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "tests/support/support.h"

enum { LENGTH = 1 << 15, MOST_LINES = 4 };

struct line_of {
    double offset_bins, amplitude, phase; /* of θ or m, or of a tone beside the carrier */
};

struct modulated {
    double carrier_bins, amplitude, phase, dc, bend; /* bend: bins per segment */
    struct line_of phase_line, amplitude_line, single;
};

static double samples[LENGTH];
static struct demodulate last; /* before it was finished */

static void fill(const struct modulated *m)
{
    for (int n = 0; n < LENGTH; n++) {
        double t = (n - LENGTH / 2) / (double)LENGTH, turns = 2 * M_PI * t;
        double theta = m->phase_line.amplitude *
                       cos(turns * m->phase_line.offset_bins + m->phase_line.phase);
        double depth =
            m->amplitude_line.amplitude *
            cos(turns * m->amplitude_line.offset_bins + m->amplitude_line.phase);
        double angle = turns * m->carrier_bins + m->phase + M_PI * m->bend * t * t;
        samples[n] = m->dc + m->amplitude * (1 + depth) * cos(angle + theta) +
                     m->amplitude * m->single.amplitude *
                         cos(turns * (m->carrier_bins + m->single.offset_bins) +
                             m->phase + m->single.phase);
    }
}

struct taken {
    struct fft_cache *cache;
    const struct window *window;
    struct demodulate demodulate;
    double *buffer;
};

static struct taken take(const struct modulated *m)
{
    struct taken taken = {.cache = fft_cache_new()};
    struct problem problem;
    int reach = demodulate_reach(LENGTH, m->carrier_bins);
    fill(m);
    assert_non_null(taken.cache);
    assert_true(fft_window(taken.cache, WINDOW_BLACKMAN_HARRIS_7, LENGTH, &taken.window,
                           &problem));
    assert_true(demodulate_new(LENGTH, reach, &taken.demodulate, &problem));
    taken.buffer = fft_buffer_new(LENGTH);
    assert_non_null(taken.buffer);
    struct demodulate_segment segment = {samples, taken.window,
                                         round(m->carrier_bins + 0.2) / LENGTH};
    for (int i = 0; i < 3; i++)
        assert_true(demodulate_take(&taken.demodulate, taken.buffer, taken.cache,
                                    &segment, &problem));
    demodulate_keep(&taken.demodulate);
    last = taken.demodulate; /* the transform still stands in the buffer */
    demodulate_finish(&taken.demodulate);
    return taken;
}

static void give_back(struct taken *taken)
{
    demodulate_free(&taken->demodulate);
    fft_buffer_free(taken->buffer);
    fft_cache_free(taken->cache);
}

static double lobe_db(const double *powers, double offset)
{
    return decibel_from_power(spectrum_sum(powers, bins_lobe(offset)));
}

static double lower_db(const struct demodulate *d, double offset)
{
    struct bins lobe = bins_lobe(offset);
    return decibel_from_power(2 * spectrum_sum(d->phase.sum, lobe) +
                              2 * spectrum_sum(d->amplitude.sum, lobe) -
                              spectrum_sum(d->upper, lobe));
}

static const double places[] = {8192, 8192.25, 8191.5, 3000.77, 13000.999};

/* Sidebands of β/2 and m/2, each where it belongs and nowhere else; second order: β²/8 at
 * twice the offset (Bessel's J2). */
static void phase_and_amplitude_come_apart(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
        struct modulated m = {
            places[i],         0.3,      0.9, 0.01, 0, {700.3, 2e-4, 0.4},
            {1200.7, 2e-4, 1}, {0, 0, 0}};
        struct taken taken = take(&m);
        const struct demodulate *d = &taken.demodulate;
        assert_close(lobe_db(d->phase.sum, 700.3), -80, 1e-4);
        assert_close(lobe_db(d->amplitude.sum, 1200.7), -80, 1e-4);
        assert_between(lobe_db(d->amplitude.sum, 700.3), -400, -165);
        assert_between(lobe_db(d->phase.sum, 1200.7), -400, -165);
        assert_close(lobe_db(d->upper, 700.3), -80, 1e-4);
        assert_close(lower_db(d, 700.3), -80, 1e-4);
        assert_close(d->carrier.cycles * LENGTH, places[i], 1e-6);
        assert_close(cabs(d->carrier.phasor), 0.3, 1e-7);
        give_back(&taken);
    }
}

/* At the same offset, in any phase to each other: powers (β/2)² and (m/2)², sides
 * |m ± iθ|²; and a line on one side only: a quarter of its power in each. */
static void mixed_and_single_lines_are_told(void **state)
{
    (void)state;
    for (int i = 0; i < 8; i++) {
        struct modulated m = {5000.37,
                              0.7,
                              2,
                              0,
                              0,
                              {900.6, 2e-5, i},
                              {900.6, 4e-5, 0.5},
                              {-2000.2, 1e-5, 0.1 * i}};
        struct taken taken = take(&m);
        const struct demodulate *d = &taken.demodulate;
        double complex theta = 1e-5 * cexp(I * (double)i), depth = 2e-5 * cexp(0.5 * I);
        assert_close(lobe_db(d->phase.sum, 900.6), -100, 1e-4);
        assert_close(lobe_db(d->amplitude.sum, 900.6), 20 * log10(2e-5), 1e-4);
        assert_close(lobe_db(d->upper, 900.6), 20 * log10(cabs(depth + I * theta)), 1e-4);
        assert_close(lower_db(d, 900.6), 20 * log10(cabs(depth - I * theta)), 1e-4);
        assert_close(lobe_db(d->phase.sum, 2000.2), -106.0206, 1e-4);
        assert_close(lobe_db(d->amplitude.sum, 2000.2), -106.0206, 1e-4);
        assert_between(lobe_db(d->upper, 2000.2), -400, -160);
        assert_close(lower_db(d, 2000.2), -100, 1e-4);
        double complex line = demodulate_line(d, taken.window, -2000.2);
        assert_close(cabs(line), 1e-5, 1e-11);
        assert_close(carg(line), 0.1 * i, 1e-5);
        line = demodulate_line(d, taken.window, 900.6);
        assert_close(cabs(line - depth - I * theta), 0, 1e-11);
        double complex same = demodulate_line(&last, taken.window, 900.6);
        assert_true(creal(same) == creal(line) && cimag(same) == cimag(line));
        give_back(&taken);
    }
}

/* A clean carrier leaves nothing beyond its lobe, also when it drifts by 0.05 bin within
 * the segment: 1 ppm in 10 s of 48 kHz in a segment of 1.4 s moves it by 0.01. */
static void a_clean_carrier_leaves_nothing(void **state)
{
    static const double bends[] = {0, 0.01, 0.05};
    (void)state;
    for (size_t i = 0; i < sizeof places / sizeof *places; i++)
        for (size_t j = 0; j < 3; j++) {
            struct modulated m = {places[i], 1,         3,         -0.2,
                                  bends[j],  {0, 0, 0}, {0, 0, 0}, {0, 0, 0}};
            struct taken taken = take(&m);
            const struct demodulate *d = &taken.demodulate;
            double highest = 0, far = 0;
            for (int k = 15; k <= d->reach; k++) {
                highest = fmax(highest, d->phase.sum[k] + d->amplitude.sum[k]);
                if (k >= 60)
                    far = fmax(far, d->phase.sum[k] + d->amplitude.sum[k]);
            }
            assert_between(decibel_from_power(highest), -400, -158);
            assert_between(decibel_from_power(far), -400, -191);
            give_back(&taken);
        }
}

/* The oracle: Σ x·w·e^{−i…} about the segment's centre, to what the window keeps at its
 * ends: powers of both parts, of the upper side, in the first bins, the last and between.
 */
static void powers_are_those_of_the_plain_sum(void **state)
{
    struct modulated m = {
        4000.61, 0.4, 0.3, 0.1, 0, {300.2, 1e-3, 0.2}, {301.1, 3e-3, 1}, {-310, 1e-3, 0}};
    (void)state;
    struct taken taken = take(&m);
    const struct demodulate *d = &taken.demodulate;
    const int offsets[] = {1, 2, 3, 4, 5, 6, 255, 256, 257, 300, 301, 310, d->reach};
    double bin = d->carrier.cycles * LENGTH;
    double complex sides[3]; /* below, the carrier's own, above */
    for (size_t i = 0; i < sizeof offsets / sizeof *offsets; i++) {
        for (int side = -1; side <= 1; side++) {
            double cycles = (bin + side * offsets[i]) / LENGTH;
            double complex sum = 0;
            for (int n = 0; n < LENGTH; n++)
                sum += samples[n] * taken.window->values[n] *
                       cexp(-2 * M_PI * I * cycles * (n - LENGTH / 2));
            sides[side + 1] = sum;
        }
        double complex u = sides[2] / sides[1], v = conj(sides[0] / sides[1]);
        double enbw = taken.window->enbw_bins;
        assert_close(sqrt(d->phase.sum[offsets[i]]), cabs(u - v) / 2 / sqrt(enbw), 1e-7);
        assert_close(sqrt(d->amplitude.sum[offsets[i]]), cabs(u + v) / 2 / sqrt(enbw),
                     1e-7);
        assert_close(sqrt(d->upper[offsets[i]]), cabs(u) / sqrt(enbw), 1e-7);
        double power = d->phase.sum[offsets[i]];
        assert_close(d->phase.sum_squares[offsets[i]], power * power, 1e-12 * power);
    }
    give_back(&taken);
}

static void silence_and_the_edges_are_no_trouble(void **state)
{
    (void)state;
    struct modulated m = {.carrier_bins = 6000};
    struct taken taken = take(&m);
    for (int k = 0; k <= taken.demodulate.reach; k++)
        assert_true(taken.demodulate.phase.sum[k] == 0 && taken.demodulate.upper[k] == 0);
    give_back(&taken);
    assert_int_equal(demodulate_reach(LENGTH, 20), 0);
    assert_int_equal(demodulate_reach(LENGTH, LENGTH / 2 - 33), 0);
    assert_int_equal(demodulate_reach(LENGTH, LENGTH / 4), LENGTH / 4 - 32);
    static const double near[] = {40, LENGTH / 2.0 - 40};
    for (int i = 0; i < 2; i++) { /* a carrier beside dc or half the rate, and off by 3 */
        struct modulated close = {.carrier_bins = near[i] + (i ? 14 : -14),
                                  .amplitude = 1};
        struct modulated at = {.carrier_bins = near[i], .amplitude = 1};
        taken = take(&at);
        fill(&close);
        struct demodulate_segment segment = {samples, taken.window, i ? 0.5 : 0};
        struct problem problem;
        assert_true(demodulate_take(&taken.demodulate, taken.buffer, taken.cache,
                                    &segment, &problem));
        give_back(&taken);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(phase_and_amplitude_come_apart),
        cmocka_unit_test(mixed_and_single_lines_are_told),
        cmocka_unit_test(a_clean_carrier_leaves_nothing),
        cmocka_unit_test(powers_are_those_of_the_plain_sum),
        cmocka_unit_test(silence_and_the_edges_are_no_trouble),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
