#include "analysis/signals/tone.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

struct request {
    int rate_hz, bits, channels;
    double duration_s, frequency_hz, level_dbfs;
    enum tone_dither dither;
};

static struct settings settings_of(const struct request *request)
{
    struct settings settings = {.description = &tone_signal.description};
    double numbers[] = {request->rate_hz,    request->bits,         request->channels,
                        request->duration_s, request->frequency_hz, request->level_dbfs};
    for (int i = 0; i < 6; i++)
        settings.values[i] =
            (struct setting_value){.given = true, .choice = -1, .number = numbers[i]};
    settings.values[TONE_DITHER] =
        (struct setting_value){.given = true, .choice = (int)request->dither};
    return settings;
}

/* Renders the whole tone in blocks of the size given. */
static int32_t *render(const struct request *request, int64_t block, int64_t *ret_frames)
{
    struct settings settings = settings_of(request);
    struct signal_form form = signal_form(&settings);
    struct problem problem = {0};
    struct signal_stream *stream = NULL;
    assert_true(tone_signal.begin(&settings, &stream, &problem));
    int32_t *samples = calloc((size_t)(form.frames * form.channels), sizeof *samples);
    assert_non_null(samples);
    for (int64_t done = 0; done < form.frames; done += block) {
        int64_t count = form.frames - done < block ? form.frames - done : block;
        tone_signal.next(stream, samples + done * form.channels, count);
    }
    tone_signal.end(stream);
    *ret_frames = form.frames;
    return samples;
}

/* Closed form by long double: sin(2π·n·f/fs) with n·f taken modulo fs in exact integers
 * (µHz) first. Without dither each sample is within half a step of it (plus the last bits
 * of peak). */
static void assert_is_tone(const struct request *request, double bound_lsb)
{
    int64_t frames;
    int32_t *samples = render(request, 1000, &frames);
    __int128 period = (__int128)request->rate_hz * 1000000;
    __int128 step = llround(request->frequency_hz * 1e6);
    long double highest = ldexpl(1, request->bits - 1) - 1;
    long double peak = powl(10, (long double)request->level_dbfs / 20) * (highest + 1);
    double worst = 0;
    for (int64_t n = 0; n < frames; n++) {
        long double turns = (long double)((step * n) % period) / (long double)period;
        long double want =
            peak * sinl(2 * 3.14159265358979323846264338327950288L * turns);
        if (want > highest)
            want = highest;
        for (int c = 0; c < request->channels; c++) {
            long double error = (long double)samples[n * request->channels + c] - want;
            worst = fmax(worst, (double)fabsl(error));
        }
    }
    free(samples);
    assert_between(worst, 0, bound_lsb);
}

static void samples_follow_the_closed_form(void **state)
{
    (void)state;
    static const struct request requests[] = {
        {48000, 24, 2, 1, 997, -1, TONE_DITHER_NONE},
        {44100, 16, 1, 1, 1000, 0, TONE_DITHER_NONE},
        {192000, 32, 3, 0.5, 19999.123456, -6, TONE_DITHER_NONE},
        {768000, 32, 1, 0.2, 383999.999999, 0, TONE_DITHER_NONE},
        {8000, 16, 16, 0.5, 1, -60, TONE_DITHER_NONE},
        {8000, 24, 1, 20, 3999.999999, -0.1, TONE_DITHER_NONE},
    };
    for (size_t i = 0; i < sizeof requests / sizeof requests[0]; i++)
        assert_is_tone(&requests[i], 0.500001);
}

/* TPDF adds less than ±1 step before the half step of rounding. */
static void dithered_samples_stay_within_three_halves(void **state)
{
    (void)state;
    assert_is_tone(&(struct request){48000, 24, 2, 1, 997, -1, TONE_DITHER_TPDF},
                   1.500001);
    assert_is_tone(&(struct request){48000, 32, 1, 1, 997, -1, TONE_DITHER_TPDF},
                   1.500001);
}

/* The last second of an hour against the closed form: a phase that is summed in doubles
 * would be off by far more than half a step. 8 kHz keeps the hour short. */
static void phase_is_exact_after_an_hour(void **state)
{
    (void)state;
    struct request request = {8000, 32, 1, 3600, 1234.567891, 0, TONE_DITHER_NONE};
    assert_is_tone(&request, 0.500001);
}

/* At a quarter of the rate the sine is 0, 1, 0, −1 exactly, for ever. */
static void quarter_of_the_rate_has_period_four(void **state)
{
    (void)state;
    struct request request = {48000,           24, 1, 10, 12000, -6.0205999132796239,
                              TONE_DITHER_NONE};
    int64_t frames;
    int32_t *samples = render(&request, 777, &frames);
    assert_int_equal(frames, 480000);
    static const int32_t want[] = {0, 1 << 22, 0, -(1 << 22)};
    for (int64_t n = 0; n < frames; n++)
        assert_int_equal(samples[n], want[n % 4]);
    free(samples);
}

static void full_scale_is_held_within_the_range(void **state)
{
    (void)state;
    static const int bits[] = {16, 24, 32};
    for (size_t i = 0; i < 3; i++) {
        struct request request = {48000, bits[i], 1, 0.1, 12000, 0, TONE_DITHER_TPDF};
        int64_t frames;
        int32_t *samples = render(&request, 4096, &frames), lowest = 0, highest = 0;
        int32_t most = (int32_t)((1LL << (bits[i] - 1)) - 1);
        for (int64_t n = 0; n < frames; n++) {
            lowest = samples[n] < lowest ? samples[n] : lowest;
            highest = samples[n] > highest ? samples[n] : highest;
        }
        assert_int_equal(highest, most);
        assert_int_equal(lowest, -most - 1);
        free(samples);
    }
}

static void bytes_do_not_depend_on_the_block(void **state)
{
    (void)state;
    struct request request = {44100, 16, 3, 1, 997, -20, TONE_DITHER_TPDF};
    int64_t frames;
    int32_t *whole = render(&request, 1 << 20, &frames);
    static const int64_t blocks[] = {1, 7, 4096, 44099};
    for (size_t i = 0; i < 4; i++) {
        int32_t *pieces = render(&request, blocks[i], &frames);
        assert_memory_equal(pieces, whole, (size_t)frames * 3 * sizeof *whole);
        free(pieces);
    }
    free(whole);
}

/* TPDF dither (closed form, from memory: Lipshitz, Wannamaker, Vanderkooy 1992): the
 * total error of the rounded sample has mean 0 and variance LSB²/4 whatever the signal:
 * (2/12 of the dither + 1/12 of the rounding). 48000·20 values: the standard error of the
 * mean is 0.5/√960000 = 5.1e-4, of the variance about 3e-4; the bounds are six of them.
 */
static void dither_error_has_mean_zero_and_variance_a_quarter(void **state)
{
    (void)state;
    struct request request = {48000, 16, 2, 20, 997, -80.3, TONE_DITHER_TPDF};
    int64_t frames;
    int32_t *samples = render(&request, 4096, &frames);
    double peak = pow(10, -80.3 / 20) * 32768, sums[2] = {0}, squares[2] = {0}, cross = 0;
    for (int64_t n = 0; n < frames; n++) {
        double want = peak * sin(2 * M_PI * (double)((n * 997) % 48000) / 48000);
        double first = samples[2 * n] - want, second = samples[2 * n + 1] - want;
        sums[0] += first;
        sums[1] += second;
        squares[0] += first * first;
        squares[1] += second * second;
        cross += first * second;
    }
    for (int c = 0; c < 2; c++) {
        assert_close(sums[c] / (double)frames, 0, 0.0031);
        assert_close(squares[c] / (double)frames, 0.25, 0.0018);
    }
    /* Each channel its own: correlation 0 within six of 1/√n. */
    assert_close(cross / sqrt(squares[0] * squares[1]), 0, 6 / sqrt((double)frames));
    free(samples);
}

/* Closed form at the places where octants meet, and beside them. */
static void sine_is_exact_at_the_octants(void **state)
{
    (void)state;
    int64_t count = 48000LL * 1000000;
    static const double want[] = {0, M_SQRT1_2,  1,  M_SQRT1_2,
                                  0, -M_SQRT1_2, -1, -M_SQRT1_2};
    for (int64_t octant = 0; octant < 8; octant++) {
        assert_close(tone_sine(octant * (count / 8), count), want[octant], 0x1p-53);
        for (int64_t beside = -1; beside <= 1; beside += 2) {
            int64_t index = (octant * (count / 8) + beside + count) % count;
            long double turns = (long double)index / (long double)count;
            assert_close(tone_sine(index, count),
                         (double)sinl(2 * 3.14159265358979323846264338327950288L * turns),
                         0x1p-52);
        }
    }
}

static void tone_at_half_the_rate_is_refused(void **state)
{
    (void)state;
    struct request request = {8000, 16, 1, 1, 4000, 0, TONE_DITHER_NONE};
    struct settings settings = settings_of(&request);
    struct signal_stream *stream = NULL;
    struct problem problem = {0};
    assert_false(tone_signal.begin(&settings, &stream, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "frequency_hz");
    assert_non_null(strstr(problem.detail, "8000 Hz"));
    assert_null(stream);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(samples_follow_the_closed_form),
        cmocka_unit_test(dithered_samples_stay_within_three_halves),
        cmocka_unit_test(phase_is_exact_after_an_hour),
        cmocka_unit_test(quarter_of_the_rate_has_period_four),
        cmocka_unit_test(full_scale_is_held_within_the_range),
        cmocka_unit_test(bytes_do_not_depend_on_the_block),
        cmocka_unit_test(dither_error_has_mean_zero_and_variance_a_quarter),
        cmocka_unit_test(sine_is_exact_at_the_octants),
        cmocka_unit_test(tone_at_half_the_rate_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
