/* Whether u95 keeps its word: of 200 captures drawn at random, each figure must lie
 * within its half-width of the truth in 90 to 99 % of the cases. The truth is what was
 * put in: white noise of known power in band, beside a tone at −60 dBFS in every second
 * capture.
 */
#include <math.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/weighting.h"
#include "analysis/measurements/noise.h"
#include "tests/support/support.h"
#include "tests/support/synthetic.h"

enum { CAPTURES = 200, FIGURES = 4 };

struct draw {
    int sample_rate_hz;
    double noise_dbfs, duration_s, amplitude, noise_rms;
    struct support_random random;
};

static double sample(int64_t n, int channel, void *context)
{
    struct draw *draw = context;
    double value = draw->noise_rms * support_gaussian(&draw->random);
    (void)channel;
    if (draw->amplitude > 0)
        value += draw->amplitude *
                 sin(2 * M_PI * synthetic_turns(997, 0, 0, draw->sample_rate_hz, n));
    return value;
}

static struct draw draw_one(uint64_t seed)
{
    static const int rates[] = {44100, 48000, 88200, 96000};
    struct support_random random = support_random_seed(seed);
    struct draw draw = {.sample_rate_hz = rates[(int)(4 * support_uniform(&random))],
                        .noise_dbfs = -140 + 60 * support_uniform(&random),
                        .duration_s = 2 + 8 * support_uniform(&random),
                        .amplitude = seed % 2 ? 1e-3 : 0};
    const double band_hz = 20000 - 20;
    draw.noise_rms =
        sqrt(dbfs_to_mean_square(draw.noise_dbfs) * draw.sample_rate_hz / 2.0 / band_hz);
    draw.random = random;
    return draw;
}

/* How much louder white noise in band reads by a curve. */
static double curve_db(double (*curve)(double))
{
    double sum = 0;
    for (double hz = 20.5; hz < 20000; hz += 1)
        sum += curve(hz);
    return decibel_from_power(sum / 19980);
}

static void half_widths_cover_the_truth(void **state)
{
    static const char *const names[FIGURES] = {"noise_level", "noise_level_a",
                                               "noise_level_468", "noise_density"};
    const double more_db[FIGURES] = {0, curve_db(weighting_a_power),
                                     curve_db(weighting_468_rms_power),
                                     -decibel_from_power(19980)};
    const uint64_t first_seed = 52000;
    /* A quasi-peak meter reads white Gaussian noise so much above its rms through the
     * same curve (computed: mean of 200 simulated readings of 10 s, known to 0.002 dB).
     */
    const double quasi_peak_db = curve_db(weighting_468_power) + 4.046;
    int covered[FIGURES] = {0}, needles = 0, needles_covered = 0;
    double error_sum[FIGURES] = {0};
    (void)state;
    print_message("seeds %llu to %llu\n", (unsigned long long)first_seed,
                  (unsigned long long)first_seed + CAPTURES - 1);
    for (uint64_t i = 0; i < CAPTURES; i++) {
        struct draw draw = draw_one(first_seed + i);
        struct synthetic synthetic = {
            draw.sample_rate_hz, 1, draw.duration_s, 0, sample, &draw};
        struct problem problem = {0};
        int descriptor = synthetic_recording(&synthetic);
        struct report *report =
            synthetic_measure(&noise_measurement, descriptor, NULL, &problem);
        assert_non_null(report);
        for (int f = 0; f < FIGURES; f++) {
            double error =
                synthetic_value(report, 0, names[f]) - (draw.noise_dbfs + more_db[f]);
            covered[f] += fabs(error) <= synthetic_figure(report, 0, names[f])->u95;
            error_sum[f] += error;
        }
        if (draw.amplitude == 0) {
            const struct report_figure *needle =
                synthetic_figure(report, 0, "noise_level_468_quasi_peak");
            needles++;
            needles_covered +=
                fabs(needle->value - draw.noise_dbfs - quasi_peak_db) <= needle->u95;
        }
        report_free(report);
        close(descriptor);
    }
    print_message("quasi-peak: in %d of %d\n", needles_covered, needles);
    assert_between(100.0 * needles_covered / needles, 90, 99);
    for (int f = 0; f < FIGURES; f++) {
        print_message(
            "%s: u95 covers the truth in %.1f %% of %d captures; off by %.4f dB\n",
            names[f], 100.0 * covered[f] / CAPTURES, CAPTURES, error_sum[f] / CAPTURES);
        assert_between(100.0 * covered[f] / CAPTURES, 90, 99);
        assert_close(error_sum[f] / CAPTURES, 0, 0.006);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(half_widths_cover_the_truth)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
