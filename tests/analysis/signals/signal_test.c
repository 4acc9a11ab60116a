#include "analysis/signals/signal.h"

#include <string.h>

#include "tests/support/support.h"

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

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(list_finds_every_signal_by_name),
        cmocka_unit_test(tables_begin_with_the_common_parameters),
        cmocka_unit_test(form_counts_frames),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
