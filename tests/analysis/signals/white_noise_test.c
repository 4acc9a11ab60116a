#include "analysis/signals/white_noise.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/fft.h"
#include "tests/support/support.h"

static struct settings settings_of(int rate_hz, int bits, int channels, double duration_s,
                                   double level_dbfs)
{
    struct settings settings = {.description = &white_noise_signal.description};
    const double numbers[] = {rate_hz, bits, channels, duration_s, level_dbfs};
    for (int i = 0; i < WHITE_NOISE_PARAMETER_COUNT; i++)
        settings.values[i] =
            (struct setting_value){.given = true, .choice = -1, .number = numbers[i]};
    return settings;
}

static int32_t *render(const struct settings *settings, int64_t block)
{
    struct signal_form form = signal_form(settings);
    struct problem problem = {0};
    struct signal_stream *stream = NULL;
    assert_true(white_noise_signal.begin(settings, &stream, &problem));
    int32_t *samples = calloc((size_t)(form.frames * form.channels), sizeof *samples);
    assert_non_null(samples);
    for (int64_t done = 0; done < form.frames; done += block) {
        int64_t count = form.frames - done < block ? form.frames - done : block;
        white_noise_signal.next(stream, samples + done * form.channels, count);
    }
    white_noise_signal.end(stream);
    return samples;
}

static void bytes_do_not_depend_on_the_block(void **state)
{
    (void)state;
    struct settings settings = settings_of(44100, 24, 3, 0.5, -20);
    int32_t *whole = render(&settings, 1 << 20);
    static const int64_t blocks[] = {1, 7, 4096, 22049};
    for (size_t i = 0; i < 4; i++) {
        int32_t *pieces = render(&settings, blocks[i]);
        assert_memory_equal(pieces, whole, 22050 * 3 * sizeof *whole);
        free(pieces);
    }
    free(whole);
}

/* Frames left out are as if they had been rendered. */
static void passing_over_is_rendering(void **state)
{
    (void)state;
    enum { FRAMES = 24000, CHANNELS = 2 };
    struct settings settings = settings_of(48000, 24, CHANNELS, 0.5, -20);
    int32_t *whole = render(&settings, 1 << 20), piece[100 * CHANNELS];
    struct problem problem = {0};
    struct signal_stream *stream = NULL;
    assert_true(white_noise_signal.begin(&settings, &stream, &problem));
    for (int64_t done = 0; done + 1100 <= FRAMES; done += 1100) {
        white_noise_signal.pass_over(stream, 1000);
        white_noise_signal.next(stream, piece, 100);
        assert_memory_equal(piece, whole + (done + 1000) * CHANNELS, sizeof piece);
    }
    white_noise_signal.end(stream);
    free(whole);
}

/* Closed form: rms = 10^(level/20)/√2 of full scale. A variance estimated from N samples
 * of a sum of four uniform numbers (kurtosis 2.7) scatters by √(1.7/N): 6 of it. */
static void level_and_mean_are_as_asked(void **state)
{
    (void)state;
    static const double levels[] = {-8, -20, -60};
    static const int bits[] = {16, 24, 32};
    for (int i = 0; i < 3; i++) {
        struct settings settings = settings_of(48000, bits[i], 2, 10, levels[i]);
        int32_t *samples = render(&settings, 4096);
        double count = 480000, scale = ldexp(1, bits[i] - 1);
        double rms = pow(10, levels[i] / 20) * M_SQRT1_2;
        for (int c = 0; c < 2; c++) {
            double sum = 0, squares = 0, most = 0;
            for (int64_t n = 0; n < 480000; n++) {
                double value = samples[2 * n + c] / scale;
                sum += value;
                squares += value * value;
                most = fmax(most, fabs(value));
            }
            assert_close(sum / count / rms, 0, 6 / sqrt(count));
            /* Rounding adds 1/12 of a squared step. */
            assert_close(squares / count / (rms * rms + 1 / (12 * scale * scale)), 1,
                         6 * sqrt(1.7 / count));
            assert_between(most / rms, 3, sqrt(12) + 1 / (scale * rms));
        }
        free(samples);
    }
}

/* Correlation of independent numbers is 0 within 6/√N: of the channels, and of a channel
 * with itself some frames later. */
static void channels_and_frames_are_independent(void **state)
{
    (void)state;
    enum { COUNT = 200000 };
    struct settings settings = settings_of(48000, 24, 16, COUNT / 48000.0, -20);
    int32_t *samples = render(&settings, 4096);
    double rms = 0.1 * M_SQRT1_2 * 8388608;
    for (int c = 1; c < 16; c++) {
        double sum = 0;
        for (int64_t n = 0; n < COUNT; n++)
            sum += (double)samples[16 * n] * samples[16 * n + c];
        assert_close(sum / COUNT / rms / rms, 0, 6 / sqrt(COUNT));
    }
    for (int lag = 1; lag < 64; lag++) {
        double sum = 0;
        for (int64_t n = lag; n < COUNT; n++)
            sum += (double)samples[16 * n] * samples[16 * (n - lag)];
        assert_close(sum / COUNT / rms / rms, 0, 6 / sqrt(COUNT));
    }
    free(samples);
}

/* Flat: each of 16 bands holds a sixteenth of the power. Of the 2048 lines of a band of
 * each of 7 transforms, each exponential: 6/√(7·2048) = 0.05. */
static void spectrum_is_flat(void **state)
{
    (void)state;
    enum { LENGTH = 65536, BANDS = 16, TIMES = 7 };
    struct settings settings = settings_of(48000, 24, 1, 10, -20);
    int32_t *samples = render(&settings, 4096);
    double powers[BANDS] = {0}, all = 0;
    struct fft_cache *cache = fft_cache_new();
    double *buffer = fft_buffer_new(LENGTH), *values = malloc(LENGTH * sizeof *values);
    assert_true(cache && buffer && values);
    for (int64_t t = 0; t < TIMES; t++) {
        struct problem problem = {0};
        for (int n = 0; n < LENGTH; n++)
            values[n] = samples[t * LENGTH + n];
        fft_put(buffer, LENGTH, 0, values, LENGTH);
        assert_true(fft_forward(cache, LENGTH, buffer, NULL, &problem));
        for (int bin = 0; bin < LENGTH / 2; bin++) {
            double size = cabs(fft_bin(buffer, LENGTH, bin));
            powers[bin / (LENGTH / 2 / BANDS)] += size * size;
            all += size * size;
        }
    }
    for (int band = 0; band < BANDS; band++)
        assert_close(powers[band] / all * BANDS, 1, 6 / sqrt(TIMES * 2048.0));
    free(values);
    fft_buffer_free(buffer);
    fft_cache_free(cache);
    free(samples);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bytes_do_not_depend_on_the_block),
        cmocka_unit_test(passing_over_is_rendering),
        cmocka_unit_test(level_and_mean_are_as_asked),
        cmocka_unit_test(channels_and_frames_are_independent),
        cmocka_unit_test(spectrum_is_flat),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
