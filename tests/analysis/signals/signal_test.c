#include "analysis/signals/signal.h"

#include "tests/analysis/signals/rendering.h"

static void list_finds_every_signal_by_name(void **state)
{
    (void)state;
    assert_non_null(signal_find("tone"));
    assert_null(signal_find("Tone"));
    assert_null(signal_find(""));
    for (int i = 0; i < signal_count(); i++)
        assert_ptr_equal(signal_find(signal_get(i)->description.name), signal_get(i));
}

/* The enumeration of signal.h counts on it. */
static void tables_begin_with_the_common_parameters(void **state)
{
    (void)state;
    static const char *const names[] = {"sample_rate_hz", "bits", "channels",
                                        "duration_s"};
    for (int i = 0; i < signal_count(); i++)
        for (int k = 0; k < PARAMETER_COMMON_COUNT; k++)
            assert_string_equal(signal_get(i)->description.settings[k].name, names[k]);
}

/* Closed form: duration times rate, rounded to the nearest frame. */
static void form_counts_frames(void **state)
{
    (void)state;
    struct settings parameters = {0};
    parameters.values[PARAMETER_SAMPLE_RATE_HZ].number = 44100;
    parameters.values[PARAMETER_BITS].number = 24;
    parameters.values[PARAMETER_CHANNELS].number = 6;
    parameters.values[PARAMETER_DURATION_S].number = 0.12345; /* 5444.145 frames */
    struct signal_form form = signal_form(&parameters);
    assert_int_equal(form.sample_rate_hz, 44100);
    assert_int_equal(form.bits, 24);
    assert_int_equal(form.channels, 6);
    assert_int_equal(form.frames, 5444);
    parameters.values[PARAMETER_SAMPLE_RATE_HZ].number = 768000;
    parameters.values[PARAMETER_DURATION_S].number = 3600;
    assert_int_equal(signal_form(&parameters).frames, 2764800000);
}

/* Every signal, at every rate and width: the same bytes each time, asked for in any
 * blocks, and within the integer range. */
static void bytes_do_not_depend_on_the_block(void **state)
{
    (void)state;
    static const int rates[] = {44100,  48000,  88200,  96000,
                                176400, 192000, 384000, 768000};
    for (int i = 0; i < signal_count(); i++)
        for (int k = 0; k < 8 * 3; k++) {
            int bits = 16 + 8 * (k % 3), channels = k % 2 ? 8 : 1;
            struct settings settings = rendering_settings(
                signal_get(i), rates[k / 3], bits, channels, 2000.0 / rates[k / 3]);
            for (int s = PARAMETER_COMMON_COUNT; s < settings.description->setting_count;
                 s++)
                if (strcmp(settings.description->settings[s].name, "pattern_bits") == 0 &&
                    bits == 16)
                    settings.values[s].number = 16;
            int32_t *whole = rendering_whole(signal_get(i), &settings, 2000);
            static const int64_t blocks[] = {1, 255};
            for (int b = 0; b < 2; b++) {
                int32_t *pieces = rendering_whole(signal_get(i), &settings, blocks[b]);
                assert_memory_equal(pieces, whole,
                                    (size_t)(2000 * channels) * sizeof *whole);
                free(pieces);
            }
            for (int n = 0; n < 2000 * channels; n++)
                assert_between(ldexp(whole[n], 1 - bits), -1, 1 - ldexp(1, 1 - bits));
            free(whole);
        }
}

/* A snapshot, not a truth: every compiler, build and processor that the tests run on
 * gives these bytes, and a change of any of them is meant. FNV-1a over the samples. */
static void bytes_are_the_same_everywhere(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        uint64_t hash;
    } cases[] = {
        {"tone", 0x1F6F569689B31D93u},           {"silence", 0x4D45FE1DD2E852A5u},
        {"twin-tone", 0x779348033DE27E0Cu},      {"multitone", 0x502F986E0851EBACu},
        {"jitter-pattern", 0x67271177F1DC88A5u}, {"white-noise", 0x4B0B006978E27A5Fu}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct signal *signal = signal_find(cases[i].name);
        struct settings settings = rendering_settings(signal, 44100, 32, 2, 3);
        int32_t *samples = rendering_whole(signal, &settings, 4096);
        uint64_t hash = 0xCBF29CE484222325u;
        for (int64_t n = 0; n < 2 * signal_form(&settings).frames; n++)
            for (int shift = 0; shift < 32; shift += 8)
                hash = (hash ^ ((uint32_t)samples[n] >> shift & 0xFF)) * 0x100000001B3u;
        free(samples);
        if (hash != cases[i].hash)
            fail_msg("%s: 0x%016llX", cases[i].name, (unsigned long long)hash);
    }
}

static void signals_name_what_they_are_made_for(void **state)
{
    (void)state;
    static const char *const pairs[][2] = {{"tone", "distortion"},
                                           {"silence", "noise"},
                                           {"twin-tone", "intermodulation"},
                                           {"multitone", "multitone"},
                                           {"jitter-pattern", "jitter"}};
    for (size_t i = 0; i < sizeof pairs / sizeof pairs[0]; i++)
        assert_string_equal(signal_find(pairs[i][0])->measured_by, pairs[i][1]);
    assert_null(signal_find("white-noise")->measured_by);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(list_finds_every_signal_by_name),
        cmocka_unit_test(tables_begin_with_the_common_parameters),
        cmocka_unit_test(form_counts_frames),
        cmocka_unit_test(bytes_are_the_same_everywhere),
        cmocka_unit_test(signals_name_what_they_are_made_for),
        cmocka_unit_test(bytes_do_not_depend_on_the_block),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
