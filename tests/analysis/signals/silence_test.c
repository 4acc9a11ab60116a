#include "analysis/signals/silence.h"

#include "tests/analysis/signals/rendering.h"

static void every_sample_is_zero(void **state)
{
    (void)state;
    static const int bits[] = {16, 24, 32};
    for (int i = 0; i < 3; i++) {
        struct settings settings =
            rendering_settings(&silence_signal, 44100, bits[i], 3, 0.5);
        int32_t samples[3 * 100];
        struct problem problem = {0};
        struct signal_stream *stream = NULL;
        memset(samples, 0x55, sizeof samples);
        assert_true(silence_signal.begin(&settings, &stream, &problem));
        silence_signal.next(stream, samples, 100);
        silence_signal.end(stream);
        for (int n = 0; n < 3 * 100; n++)
            assert_int_equal(samples[n], 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_sample_is_zero),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
