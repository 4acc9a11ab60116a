#include "analysis/signals/twin_tone.h"

#include "tests/analysis/signals/rendering.h"

#define PI_LONG 3.14159265358979323846264338327950288L

static struct settings settings_of(int rate_hz, int bits, enum twin_tone_kind kind)
{
    struct settings settings = rendering_settings(&twin_tone_signal, rate_hz, bits, 2, 1);
    settings.values[TWIN_TONE_KIND].choice = (int)kind;
    return settings;
}

/* SMPTE RP120, IEC 60268-3 as measurements.md's §4 gives them: A1 + A2 is the level. */
static void kinds_have_their_tones(void **state)
{
    (void)state;
    static const struct {
        enum twin_tone_kind kind;
        double hz[2], share[2];
    } cases[] = {{TWIN_TONE_SMPTE, {60, 7000}, {0.8, 0.2}},
                 {TWIN_TONE_DIN, {250, 8000}, {0.8, 0.2}},
                 {TWIN_TONE_DIFFERENCE_FREQUENCY, {18000, 20000}, {0.5, 0.5}}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct settings settings = settings_of(48000, 24, cases[i].kind);
        struct twin_tone twin = twin_tone_of(&settings);
        for (int k = 0; k < 2; k++) {
            assert_close(twin.frequency_hz[k], cases[i].hz[k], 0);
            assert_close(twin.amplitude[k], cases[i].share[k] * pow(10, -1.0 / 20),
                         1e-15);
        }
    }
}

static void what_is_given_goes_before_the_kind(void **state)
{
    (void)state;
    struct settings settings = settings_of(48000, 24, TWIN_TONE_DIFFERENCE_FREQUENCY);
    rendering_give(&settings, TWIN_TONE_FREQUENCY_1_HZ, 19000);
    rendering_give(&settings, TWIN_TONE_AMPLITUDE_RATIO, 0.25);
    rendering_give(&settings, TWIN_TONE_LEVEL_DBFS, 0);
    struct twin_tone twin = twin_tone_of(&settings);
    assert_close(twin.frequency_hz[0], 19000, 0);
    assert_close(twin.frequency_hz[1], 20000, 0);
    assert_close(twin.amplitude[0], 0.2, 1e-15);
    assert_close(twin.amplitude[1], 0.8, 1e-15);
}

static long double sine(double hz, int rate_hz, int64_t n)
{
    __int128 period = (__int128)rate_hz * 1000000, step = llround(hz * 1e6);
    return sinl(2 * PI_LONG * (long double)((step * n) % period) / (long double)period);
}

/* Closed form by long double; rounding and dither stay within 1½ steps. */
static void samples_follow_the_closed_form(void **state)
{
    (void)state;
    static const int rates[] = {44100, 48000, 192000, 768000};
    for (int r = 0; r < 4; r++)
        for (int kind = 0; kind <= TWIN_TONE_PAIR; kind++) {
            struct settings settings =
                settings_of(rates[r], 24, (enum twin_tone_kind)kind);
            settings.values[PARAMETER_DURATION_S].number = 0.3;
            if (kind == TWIN_TONE_PAIR) {
                rendering_give(&settings, TWIN_TONE_FREQUENCY_1_HZ, 1);
                rendering_give(&settings, TWIN_TONE_FREQUENCY_2_HZ,
                               rates[r] / 2 - 0.000001);
            }
            struct twin_tone twin = twin_tone_of(&settings);
            int32_t *samples = rendering_whole(&twin_tone_signal, &settings, 1000);
            double worst = 0;
            for (int64_t n = 0; n < signal_form(&settings).frames; n++) {
                long double want = 0;
                for (int k = 0; k < 2; k++)
                    want += 0x1p23L * (long double)twin.amplitude[k] *
                            sine(twin.frequency_hz[k], rates[r], n);
                for (int c = 0; c < 2; c++)
                    worst = fmax(worst, (double)fabsl(samples[2 * n + c] - want));
            }
            free(samples);
            assert_between(worst, 0.9, 1.500001);
        }
}

/* Both tones at their peak at once: 1 kHz and 5 kHz at 48 kHz, frame 12: 90° and 450°. */
static void level_is_the_sum_of_the_peaks(void **state)
{
    (void)state;
    struct settings settings = settings_of(48000, 32, TWIN_TONE_PAIR);
    rendering_give(&settings, TWIN_TONE_FREQUENCY_1_HZ, 1000);
    rendering_give(&settings, TWIN_TONE_FREQUENCY_2_HZ, 5000);
    rendering_give(&settings, TWIN_TONE_LEVEL_DBFS, -6.0205999132796239);
    int32_t *samples = rendering_whole(&twin_tone_signal, &settings, 4096);
    assert_close(samples[2 * 12], 0x1p30, 1.5);
    free(samples);
}

static void parameters_that_clash_are_refused(void **state)
{
    (void)state;
    struct settings settings = settings_of(8000, 24, TWIN_TONE_SMPTE);
    rendering_refused(&twin_tone_signal, &settings, "frequency_2_hz", "8000 Hz");
    settings = settings_of(40000, 24, TWIN_TONE_DIFFERENCE_FREQUENCY);
    rendering_refused(&twin_tone_signal, &settings, "frequency_2_hz", "above 40000 Hz");
    settings = settings_of(48000, 24, TWIN_TONE_PAIR);
    rendering_refused(&twin_tone_signal, &settings, "frequency_1_hz", "pair");
    rendering_give(&settings, TWIN_TONE_FREQUENCY_1_HZ, 1000);
    rendering_refused(&twin_tone_signal, &settings, "frequency_2_hz", "pair");
    rendering_give(&settings, TWIN_TONE_FREQUENCY_2_HZ, 1000);
    rendering_refused(&twin_tone_signal, &settings, "frequency_1_hz", "not below");
    settings = settings_of(48000, 24, TWIN_TONE_SMPTE);
    rendering_give(&settings, TWIN_TONE_FREQUENCY_1_HZ, 7500);
    rendering_refused(&twin_tone_signal, &settings, "frequency_1_hz", "7000 Hz");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(kinds_have_their_tones),
        cmocka_unit_test(what_is_given_goes_before_the_kind),
        cmocka_unit_test(samples_follow_the_closed_form),
        cmocka_unit_test(level_is_the_sum_of_the_peaks),
        cmocka_unit_test(parameters_that_clash_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
