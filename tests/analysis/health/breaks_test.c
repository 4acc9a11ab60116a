/* Breaks cut into recordings made of formulas; each expected value follows from what was
 * cut. */
#include "analysis/health/breaks.h"

#include <math.h>
#include <stdio.h>

#include "tests/analysis/health/recording.h"

static struct health health;

struct tone {
    double frequency_hz, level_dbfs, noise_dbfs, ppm, drift_ppm_per_s; /* noise 0: none */
};

static void add_tone(struct recording *recording, int channel, const struct tone *tone,
                     struct support_random *random)
{
    double amplitude = pow(10, tone->level_dbfs / 20);
    double noise = tone->noise_dbfs < 0 ? pow(10, tone->noise_dbfs / 20) * M_SQRT1_2 : 0;
    double start = support_uniform(random);
    for (int64_t n = 0; n < recording->frames; n++) {
        double t = (double)n / recording->rate_hz;
        double turns =
            start + tone->frequency_hz * t *
                        (1 + 1e-6 * (tone->ppm + tone->drift_ppm_per_s * t / 2));
        recording->samples[n * recording->channels + channel] +=
            amplitude * sin(2 * M_PI * (turns - floor(turns))) +
            noise * support_gaussian(random);
    }
}

static double wrapped(double degrees)
{
    return degrees - 360 * round(degrees / 360);
}

/* 64 frames of a 997 Hz tone at 48 kHz are 64·997/48000·360° = 478.56° = 118.56°. */
static void missing_frames_are_located_with_their_phase(void **state)
{
    (void)state;
    struct support_random random = support_random_seed(1);
    struct recording recording = recording_new(48000, 1, 480064);
    add_tone(&recording, 0, &(struct tone){.frequency_hz = 997, .level_dbfs = -1},
             &random);
    recording_cut(&recording, 0, 171234, 64);
    recording_breaks(&recording, &health);
    const struct health_channel *channel = &health.channels[0];
    assert_int_equal(channel->dropout_count, 1);
    assert_close((double)channel->dropouts[0].frame, 171234, 16);
    assert_close(channel->dropouts[0].phase_step_deg, 118.56, 0.1);
    assert_int_equal(channel->dropouts[0].kind, HEALTH_MISSING);
    assert_int_equal(channel->dropouts[0].length_frames, -1);
    assert_true(channel->clean.first_frame >= 171234);
    assert_true(channel->clean.first_frame < 171234 + 200);
    assert_int_equal(channel->clean.first_frame + channel->clean.frames, 480000);
    assert_int_equal(health.warning_count, 1);
    assert_string_equal(health.warnings[0].code, "dropout");
    assert_int_equal(health.warnings[0].channel, 1);
    printf("%s\n", health.warnings[0].message);
}

static void missing_frames_at_many_rates(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 96000, 192000, 384000, 768000};
    static const double tones[] = {20, 50, 100, 440, 997, 5000, 12000, 19000};
    static const double noises[] = {0, -110, -90, -60};
    int missed = 0, cases = 0;
    struct support_random random = support_random_seed(2);
    for (size_t i = 0; i < 6; i++)
        for (size_t j = 0; j < 8; j++)
            for (size_t k = 0; k < 4; k++) {
                struct recording recording = recording_new(rates[i], 1, rates[i]);
                struct tone tone = {tones[j], -3, noises[k], 0, 0};
                add_tone(&recording, 0, &tone, &random);
                int64_t frame =
                    (int64_t)((0.3 + 0.4 * support_uniform(&random)) * rates[i]);
                int64_t count = (int64_t)(1 + 1000 * support_uniform(&random));
                double step = wrapped((double)count * tones[j] / rates[i] * 360);
                recording_cut(&recording, 0, frame, count);
                recording_breaks(&recording, &health);
                const struct health_channel *channel = &health.channels[0];
                if (fabs(step) < 4)
                    continue;
                cases++;
                if (channel->dropout_count != 1) {
                    printf("%d Hz, %g Hz, noise %g: %lld breaks for %lld frames (%.1f°) "
                           "at %lld\n",
                           rates[i], tones[j], noises[k],
                           (long long)channel->dropout_count, (long long)count, step,
                           (long long)frame);
                    missed++;
                    continue;
                }
                double off = (double)(channel->dropouts[0].frame - frame),
                       error = wrapped(channel->dropouts[0].phase_step_deg - step);
                if (fabs(off) > 16 || fabs(error) > 1)
                    printf("%d Hz, %g Hz, noise %g: frame off %g, step off %g (%g)\n",
                           rates[i], tones[j], noises[k], off, error, step);
            }
    printf("%d of %d missed\n", missed, cases);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(missing_frames_are_located_with_their_phase),
        cmocka_unit_test(missing_frames_at_many_rates),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
