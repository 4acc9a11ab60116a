#include "analysis/signals/tone_bank.h"

#include <math.h>
#include <stdlib.h>

#include "tests/support/support.h"

#define PI_LONG 3.14159265358979323846264338327950288L

static struct tone_bank bank;

/* Closed form by long double, near the start and days later. */
static void blocks_follow_the_closed_form(void **state)
{
    (void)state;
    enum { COUNT = 5 };
    static const int64_t cycles[COUNT] = {1, 55, 2731, 54613, 65535}, period = 131072;
    uint64_t phases[COUNT];
    struct support_random random = support_random_seed(1);
    for (int i = 0; i < COUNT; i++)
        phases[i] = (uint64_t)(support_uniform(&random) * 0x1p40);
    tone_bank_fill(cycles, phases, COUNT, period, &bank);
    static const int64_t frames[] = {0, 256, 131072 - 256, (INT64_C(1) << 38) + 1024};
    for (int f = 0; f < 4; f++) {
        double block[TONE_BANK_BLOCK];
        tone_bank_block(&bank, frames[f], block);
        for (int k = 0; k < TONE_BANK_BLOCK; k++) {
            long double want = 0;
            for (int i = 0; i < COUNT; i++) {
                int64_t at = (frames[f] + k) % period * cycles[i] % period;
                want += sinl(2 * PI_LONG *
                             ((long double)at / (long double)period +
                              (long double)phases[i] * 0x1p-40L));
            }
            assert_close(block[k], (double)want, COUNT * 0x1p-50);
        }
    }
}

/* sin x + sin 3x = 4·sin x·(1 − sin² x), largest at sin² x = 1/3: 8/(3√3). A phase of
 * both tones together moves it, never its size. */
static void peak_between_frames_is_found(void **state)
{
    (void)state;
    static const int64_t cycles[] = {37, 111};
    for (uint64_t shift = 0; shift < 5; shift++) {
        uint64_t phases[] = {shift * (TONE_BANK_TURN / 777),
                             3 * shift * (TONE_BANK_TURN / 777)};
        tone_bank_fill(cycles, phases, 2, 1024, &bank);
        assert_close(tone_bank_peak(&bank, 1024), 8 / (3 * sqrt(3)), 1e-6);
    }
}

/* Largest of the samples of a period. */
static double largest_sample(int64_t period)
{
    double most = 0;
    for (int64_t frame = 0; frame < period; frame += TONE_BANK_BLOCK) {
        double block[TONE_BANK_BLOCK];
        tone_bank_block(&bank, frame, block);
        for (int k = 0; k < TONE_BANK_BLOCK; k++)
            most = fmax(most, fabs(block[k]));
    }
    return most;
}

/* 32 tones at the bins nearest to 20 Hz … 20 kHz in a geometric series, of a transform of
 * 131072 samples at 48 kHz. Crest factors as computed with SciPy, of those samples: of
 * cosines that begin together 20·log10(32/√16) = 18.06 dB, at phases πk²/32 12.86 dB;
 * between the samples a little more. */
static void crest_factors_are_as_computed(void **state)
{
    (void)state;
    enum { COUNT = 32, PERIOD = 131072, FINE = 4 * PERIOD };
    int64_t cycles[COUNT];
    uint64_t together[COUNT], spread[COUNT];
    for (int k = 0; k < COUNT; k++) {
        double hz = 20 * pow(1000, k / (COUNT - 1.0));
        cycles[k] = llround(hz * PERIOD / 48000);
        together[k] = TONE_BANK_TURN / 4;
        spread[k] = TONE_BANK_TURN / 4 + TONE_BANK_TURN / (2 * COUNT) * (uint64_t)(k * k);
    }
    tone_bank_fill(cycles, together, COUNT, FINE, &bank);
    assert_close(20 * log10(tone_bank_peak(&bank, FINE) / 4), 18.0618, 0.0001);
    tone_bank_fill(cycles, spread, COUNT, PERIOD, &bank);
    double sampled = largest_sample(PERIOD);
    assert_close(20 * log10(sampled / 4), 12.86, 0.005);
    tone_bank_fill(cycles, spread, COUNT, FINE, &bank);
    assert_between(tone_bank_peak(&bank, FINE) / sampled, 1, 1.01);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(blocks_follow_the_closed_form),
        cmocka_unit_test(peak_between_frames_is_found),
        cmocka_unit_test(crest_factors_are_as_computed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
