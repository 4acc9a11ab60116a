/* What must not be mistaken in noise: hum and spurs for a tone, a tone for noise, silence
 * for a very good device. */
#include "analysis/measurements/noise.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/signals/silence.h"
#include "analysis/signals/tone.h"
#include "tests/analysis/measurements/tones.h"

enum { RATE_HZ = 48000 };
enum { TONE_NONE = 1 }; /* of the setting's choices */

static const double band_width_hz = 20000 - 20;

/* White noise that reads so much in band at 48 kHz. */
static double rms_of(double dbfs)
{
    return sqrt(dbfs_to_mean_square(dbfs) * RATE_HZ / 2 / band_width_hz);
}

static struct tones noise_of(double dbfs, double duration_s)
{
    return (struct tones){.sample_rate_hz = RATE_HZ,
                          .duration_s = duration_s,
                          .noise_rms = rms_of(dbfs),
                          .random = support_random_seed(7)};
}

static void add_line(struct tones *tones, double hz, double dbfs)
{
    double phase = 0.3 * tones->partial_count;
    tones->partials[tones->partial_count++] =
        tones_line(hz, decibel_to_amplitude(dbfs), phase);
}

static struct settings with_settings(void)
{
    struct settings settings;
    synthetic_defaults(&noise_measurement.description, &settings);
    return settings;
}

static struct setting_value *setting(struct settings *settings, const char *name)
{
    for (int i = 0; i < settings->description->setting_count; i++)
        if (strcmp(settings->description->settings[i].name, name) == 0)
            return &settings->values[i];
    fail_msg("there is no setting %s", name);
    return NULL;
}

static struct report *measure_of(struct tones *tones, const struct settings *settings,
                                 const struct signal *signal,
                                 const struct settings *played)
{
    struct problem problem = {0};
    int descriptor = tones_recording(tones);
    struct report *report = synthetic_measure_of(&noise_measurement, descriptor, settings,
                                                 signal, played, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    close(descriptor);
    return report;
}

static struct report *measure(struct tones *tones)
{
    return measure_of(tones, NULL, NULL, NULL);
}

static bool found_tone(const struct report *report, int c)
{
    return synthetic_figure(report, c, "tone_level")->has_value;
}

static int rows_of(const struct report *report, int list)
{
    return report->channels[0].lists[list].count;
}

/* Hum at −70 dBFS with three harmonics, over noise at −100: each line where it is and as
 * strong as it is, on grids that are a little off. */
static void mains_lines_are_listed(void **state)
{
    static const double bases_hz[] = {50.02, 59.97};
    static const double levels_dbfs[] = {-70, -90, -80, -85};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct tones tones = noise_of(-100, 10);
        double all = 0;
        for (int m = 1; m <= 4; m++) {
            add_line(&tones, m * bases_hz[i], levels_dbfs[m - 1]);
            all += decibel_to_power(levels_dbfs[m - 1]);
        }
        struct report *report = measure(&tones);
        assert_false(found_tone(report, 0));
        assert_int_equal(rows_of(report, 0), 4);
        for (int m = 1; m <= 4; m++) {
            assert_close(tones_cell(report, 0, "mains", m - 1, "frequency_hz"),
                         m * bases_hz[i], 0.02);
            assert_close(tones_cell(report, 0, "mains", m - 1, "level_dbfs"),
                         levels_dbfs[m - 1], 0.1);
            assert_close(tones_cell(report, 0, "mains", m - 1, "order"), m, 0);
        }
        assert_int_equal(rows_of(report, 1), 0);
        assert_close(synthetic_value(report, 0, "mains_level"), decibel_from_power(all),
                     0.02);
        assert_close(synthetic_value(report, 0, "noise_level"),
                     decibel_from_power(all + decibel_to_power(-100)), 0.02);
        assert_close(synthetic_value(report, 0, "noise_density"),
                     -100 - decibel_from_power(band_width_hz), 0.05);
        report_free(report);
    }
}

/* The family asked for counts, even where it is not there: then there is a bound. */
static void the_family_can_be_chosen(void **state)
{
    struct tones tones = noise_of(-100, 10);
    struct settings settings = with_settings();
    (void)state;
    add_line(&tones, 50, -70);
    setting(&settings, "mains_hz")->choice = -1;
    setting(&settings, "mains_hz")->number = 60;
    struct report *report = measure_of(&tones, &settings, NULL, NULL);
    const struct report_figure *level = synthetic_figure(report, 0, "mains_level");
    assert_int_equal(rows_of(report, 0), 0);
    assert_false(level->has_value);
    assert_int_equal(level->reason, REASON_BELOW_NOISE);
    assert_between(level->bound, -150, -115); /* noise in the lobes: about −120 */
    report_free(report);
    setting(&settings, "mains_hz")->number = 55;
    struct problem problem = {0};
    int descriptor = tones_recording(&tones);
    assert_null(synthetic_measure(&noise_measurement, descriptor, &settings, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "mains_hz");
    close(descriptor);
}

/* Lines of an idle channel are part of its noise, however strong they are beside it. */
static void no_line_of_an_idle_channel_is_the_tone(void **state)
{
    static const struct {
        double hz, dbfs, noise_dbfs;
    } rows[] = {{50, -60, -100},   {100.02, -62, -110}, {179.9, -55, -90},
                {1000, -72, -110}, {8000, -85, -120},   {997, -65, -70}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct tones tones = noise_of(rows[i].noise_dbfs, 5);
        add_line(&tones, rows[i].hz, rows[i].dbfs);
        struct report *report = measure(&tones);
        assert_false(found_tone(report, 0));
        assert_close(synthetic_value(report, 0, "noise_level"),
                     decibel_from_power(decibel_to_power(rows[i].dbfs) +
                                        decibel_to_power(rows[i].noise_dbfs)),
                     0.05);
        assert_int_equal(synthetic_figure(report, 0, "dynamic_range")->reason,
                         REASON_NO_REFERENCE);
        report_free(report);
    }
}

/* Stronger hum beside the tone is no reason to miss it; the hum is noise. */
static void a_tone_beside_hum_is_found(void **state)
{
    struct tones tones = noise_of(-95, 10);
    (void)state;
    add_line(&tones, 997, -60);
    add_line(&tones, 50, -52);
    add_line(&tones, 150, -66);
    struct report *report = measure(&tones);
    double noise = decibel_from_power(decibel_to_power(-95) + decibel_to_power(-52) +
                                      decibel_to_power(-66));
    assert_close(synthetic_value(report, 0, "tone_level"), -60, 0.01);
    assert_close(synthetic_value(report, 0, "dynamic_range"), -noise, 0.02);
    assert_close(synthetic_value(report, 0, "mains_level"),
                 decibel_from_power(decibel_to_power(-52) + decibel_to_power(-66)), 0.02);
    report_free(report);
}

static struct settings tone_played(double hz, double dbfs)
{
    struct settings played;
    synthetic_defaults(&tone_signal.description, &played);
    played.values[TONE_FREQUENCY_HZ].number = hz;
    played.values[TONE_LEVEL_DBFS].number = dbfs;
    return played;
}

/* What was played, if told, decides: a tone where nobody would take it for one (below the
 * noise, or recorded at −90), its level, or none at all. */
static void what_was_played_decides(void **state)
{
    struct settings played = tone_played(997, -60), silence;
    synthetic_defaults(&silence_signal.description, &silence);
    struct tones buried = noise_of(-55, 10), low = noise_of(-120, 10),
                 fifty = noise_of(-90, 10), plain = noise_of(-95, 10);
    (void)state;
    add_line(&buried, 997, -60);
    struct report *report = measure_of(&buried, NULL, &tone_signal, &played);
    assert_close(synthetic_value(report, 0, "dynamic_range"), 55, 0.1);
    report_free(report);
    add_line(&low, 997, -90);
    report = measure_of(&low, NULL, &tone_signal, &played);
    assert_close(synthetic_value(report, 0, "dynamic_range"), -90 + 60 + 120, 0.05);
    report_free(report);
    played = tone_played(997, -50);
    add_line(&fifty, 997, -50);
    report = measure_of(&fifty, NULL, &tone_signal, &played);
    assert_close(synthetic_value(report, 0, "dynamic_range"), 90, 0.05);
    report_free(report);
    add_line(&plain, 997, -60);
    report = measure_of(&plain, NULL, &silence_signal, &silence);
    assert_false(found_tone(report, 0));
    assert_close(synthetic_value(report, 0, "noise_level"),
                 decibel_from_power(decibel_to_power(-60) + decibel_to_power(-95)), 0.02);
    report_free(report);
    struct settings settings = with_settings();
    setting(&settings, "tone")->choice = TONE_NONE;
    report = measure_of(&plain, &settings, NULL, NULL);
    assert_false(found_tone(report, 0));
    assert_close(synthetic_value(report, 0, "noise_level_468_quasi_peak"), -60, 0.1);
    report_free(report);
}

/* A tone near full scale brings distortion of its own: it is left out of the noise, but
 * tells no dynamic range. */
static void a_loud_tone_tells_no_dynamic_range(void **state)
{
    struct tones tones = noise_of(-95, 5);
    (void)state;
    add_line(&tones, 997, -3);
    struct report *report = measure(&tones);
    assert_close(synthetic_value(report, 0, "tone_level"), -3, 0.01);
    assert_close(synthetic_value(report, 0, "noise_level"), -95, 0.06);
    assert_int_equal(synthetic_figure(report, 0, "dynamic_range")->reason,
                     REASON_NOT_DETERMINABLE);
    assert_int_equal(synthetic_figure(report, 0, "dynamic_range_bits")->reason,
                     REASON_NOT_DETERMINABLE);
    report_free(report);
}

/* Told 997 Hz, recorded from a player that runs 44.1 kHz files at 48: found all the same.
 */
static void a_tone_elsewhere_than_told_is_found(void **state)
{
    struct settings played = tone_played(997, -60);
    struct tones tones = noise_of(-95, 5);
    (void)state;
    add_line(&tones, 1085.17, -60);
    struct report *report = measure_of(&tones, NULL, &tone_signal, &played);
    assert_close(synthetic_value(report, 0, "tone_frequency"), 1085.17, 0.01);
    assert_close(synthetic_value(report, 0, "dynamic_range"), 95, 0.06);
    report_free(report);
}

static void mains_under_the_tone_cannot_be_told(void **state)
{
    struct settings played = tone_played(100, -60);
    struct tones tones = noise_of(-95, 5);
    (void)state;
    add_line(&tones, 100, -60);
    add_line(&tones, 50, -80);
    struct report *report = measure_of(&tones, NULL, &tone_signal, &played);
    assert_close(synthetic_value(report, 0, "tone_level"), -60, 0.01);
    assert_int_equal(synthetic_figure(report, 0, "mains_level")->reason,
                     REASON_NOT_DETERMINABLE);
    assert_close(tones_cell(report, 0, "mains", 0, "level_dbfs"), -80, 0.1);
    report_free(report);
}

/* Half a second of a tone in the middle of noise: no part of it has both. */
static double brief_tone(int64_t n, int channel, void *context)
{
    struct tones *tones = context;
    double s = (double)n / RATE_HZ,
           value = tones->noise_rms * support_gaussian(&tones->random);
    (void)channel;
    if (s > 4.5 && s < 5.5)
        value += 1e-3 * sin(2 * M_PI * synthetic_turns(997, 0, 0, RATE_HZ, n));
    return value;
}

static void a_tone_that_does_not_stay_is_refused(void **state)
{
    struct tones tones = noise_of(-72, 10);
    struct synthetic synthetic = {RATE_HZ, 1, 10, 0, brief_tone, &tones};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_null(synthetic_measure(&noise_measurement, descriptor, NULL, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
    assert_non_null(strstr(problem.detail, "997.0 Hz"));
    close(descriptor);
}

static void full_scale_can_be_given(void **state)
{
    struct tones tones = noise_of(-100, 10);
    struct settings settings = with_settings();
    (void)state;
    setting(&settings, "full_scale_level_dbfs")->given = true;
    setting(&settings, "full_scale_level_dbfs")->number = -4;
    struct report *report = measure_of(&tones, &settings, NULL, NULL);
    assert_close(synthetic_value(report, 0, "dynamic_range"), 96, 0.05);
    assert_close(synthetic_value(report, 0, "dynamic_range_a"), 98.05, 0.05);
    assert_close(synthetic_value(report, 0, "dynamic_range_468"), 94.33, 0.05);
    report_free(report);
}

/* A device that mutes itself after 6 s, one that is played after 2: noise is what is
 * between. */
struct muted {
    double from_s, to_s, rms;
    struct support_random random;
};

static double muted_sample(int64_t n, int channel, void *context)
{
    struct muted *muted = context;
    double s = (double)n / RATE_HZ, value = muted->rms * support_gaussian(&muted->random);
    return channel == 0 && s >= muted->from_s && s < muted->to_s ? value : 0;
}

static void silence_is_not_averaged_in(void **state)
{
    struct muted muted = {2, 6, rms_of(-90), support_random_seed(9)};
    struct synthetic synthetic = {RATE_HZ, 2, 10, 0, muted_sample, &muted};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&noise_measurement, descriptor, NULL, &problem);
    (void)state;
    assert_non_null(report);
    close(descriptor);
    assert_close(synthetic_value(report, 0, "noise_level"), -90, 0.08);
    assert_between(report->channels[0].start_s, 2, 2.11);
    assert_between(report->channels[0].end_s, 5, 6);
    assert_false(synthetic_figure(report, 1, "noise_level")->has_value);
    assert_int_equal(synthetic_figure(report, 1, "noise_level")->reason,
                     REASON_DIGITAL_SILENCE);
    assert_int_equal(synthetic_figure(report, 1, "dynamic_range")->reason,
                     REASON_DIGITAL_SILENCE);
    report_free(report);
}

static void all_silent_is_answered(void **state)
{
    struct tones tones = {.sample_rate_hz = RATE_HZ, .duration_s = 2, .dc = 0.01};
    struct report *report = measure(&tones);
    (void)state;
    assert_int_equal(synthetic_figure(report, 0, "noise_level")->reason,
                     REASON_DIGITAL_SILENCE);
    report_free(report);
}

static void too_short_is_said(void **state)
{
    struct tones tones = noise_of(-90, 0.2);
    struct problem problem = {0};
    int descriptor = tones_recording(&tones);
    (void)state;
    assert_null(synthetic_measure(&noise_measurement, descriptor, NULL, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
    assert_non_null(strstr(problem.detail, "0.200 s"));
    close(descriptor);
}

/* Each channel has its own level, the third a tone. */
static double of_eight(int64_t n, int channel, void *context)
{
    struct tones *tones = context;
    double value = tones->noise_rms * support_gaussian(&tones->random) *
                   decibel_to_amplitude(-5 * channel);
    if (channel == 2)
        value += 1e-3 * sin(2 * M_PI * synthetic_turns(997, 0, 0, RATE_HZ, n));
    return value;
}

static void eight_channels_each_for_itself(void **state)
{
    struct tones tones = noise_of(-90, 3);
    struct synthetic synthetic = {RATE_HZ, 8, 3, 0, of_eight, &tones};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&noise_measurement, descriptor, NULL, &problem);
    (void)state;
    assert_non_null(report);
    close(descriptor);
    for (int c = 0; c < 8; c++) {
        assert_close(synthetic_value(report, c, "noise_level"), -90 - 5 * c, 0.12);
        assert_true(found_tone(report, c) == (c == 2));
    }
    assert_close(synthetic_value(report, 2, "dynamic_range"), 100, 0.12);
    report_free(report);
}

/* At 768 kHz the band is a twentieth of what is there; shaped noise above it is 40 dB
 * louder in sum and must not enter, nor hide the tone. */
static double shaped_sample(int64_t n, int channel, void *context)
{
    struct tones *tones = context;
    double white = tones->noise_rms * support_gaussian(&tones->random);
    double value = white - tones->dc; /* 1 − z⁻¹: rises with the frequency */
    (void)channel;
    tones->dc = white;
    return value + 1e-3 * sin(2 * M_PI * synthetic_turns(997, 0, 0, 768000, n));
}

static void ultrasonic_noise_stays_out(void **state)
{
    struct tones tones = {.noise_rms = 1e-3, .random = support_random_seed(11)};
    struct synthetic synthetic = {768000, 1, 3, 0, shaped_sample, &tones};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&noise_measurement, descriptor, NULL, &problem);
    double in_band = 0, above = 0;
    (void)state;
    assert_non_null(report);
    close(descriptor);
    for (double hz = 21; hz < 345600; hz += 2) { /* |1 − z⁻¹|² = 4·sin²(πf/fs) */
        double sine = sin(M_PI * hz / 768000);
        *(hz < 20000 ? &in_band : &above) += 4e-6 * sine * sine * 2 / 384000;
    }
    assert_close(synthetic_value(report, 0, "noise_level"),
                 dbfs_from_mean_square(in_band), 0.1);
    assert_close(synthetic_value(report, 0, "out_of_band_noise"),
                 dbfs_from_mean_square(above), 0.05);
    assert_close(synthetic_value(report, 0, "tone_level"), -60, 0.02);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(mains_lines_are_listed),
        cmocka_unit_test(the_family_can_be_chosen),
        cmocka_unit_test(no_line_of_an_idle_channel_is_the_tone),
        cmocka_unit_test(a_tone_beside_hum_is_found),
        cmocka_unit_test(what_was_played_decides),
        cmocka_unit_test(a_loud_tone_tells_no_dynamic_range),
        cmocka_unit_test(a_tone_elsewhere_than_told_is_found),
        cmocka_unit_test(mains_under_the_tone_cannot_be_told),
        cmocka_unit_test(a_tone_that_does_not_stay_is_refused),
        cmocka_unit_test(full_scale_can_be_given),
        cmocka_unit_test(silence_is_not_averaged_in),
        cmocka_unit_test(all_silent_is_answered),
        cmocka_unit_test(too_short_is_said),
        cmocka_unit_test(eight_channels_each_for_itself),
        cmocka_unit_test(ultrasonic_noise_stays_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
