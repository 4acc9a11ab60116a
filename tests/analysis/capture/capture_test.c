#include "analysis/capture/capture.h"

#include <math.h>
#include <stdlib.h>

#include "tests/analysis/capture/files.h"

static struct capture *open_good(int descriptor)
{
    struct capture *capture = NULL;
    struct problem problem = {0};
    if (!capture_open(descriptor, &capture, &problem))
        print_error("%s: %s\n", problem_code(problem.kind), problem.detail);
    assert_non_null(capture);
    return capture;
}

/* Multiples of 2^-15 are exact in every encoding that we read. */
static double *steps(int channels, int64_t frames)
{
    double *samples = malloc((size_t)channels * (size_t)frames * sizeof *samples);
    assert_non_null(samples);
    for (int64_t i = 0; i < frames * channels; i++)
        samples[i] = (double)((i * 7919 + i / channels * 104729) % 65536 - 32768) / 32768;
    return samples;
}

struct form {
    const char *container, *encoding;
    int format;
};

static const struct form forms[] = {
    {"wav", "pcm_16", SF_FORMAT_WAV | SF_FORMAT_PCM_16},
    {"wav", "pcm_24", SF_FORMAT_WAV | SF_FORMAT_PCM_24},
    {"wav", "pcm_32", SF_FORMAT_WAV | SF_FORMAT_PCM_32},
    {"wav", "float_32", SF_FORMAT_WAV | SF_FORMAT_FLOAT},
    {"wav", "float_64", SF_FORMAT_WAV | SF_FORMAT_DOUBLE},
    {"wav", "pcm_16", SF_FORMAT_WAVEX | SF_FORMAT_PCM_16},
    {"wav", "pcm_24", SF_FORMAT_WAVEX | SF_FORMAT_PCM_24},
    {"wav", "float_64", SF_FORMAT_WAVEX | SF_FORMAT_DOUBLE},
    {"rf64", "pcm_24", SF_FORMAT_RF64 | SF_FORMAT_PCM_24},
    {"rf64", "float_32", SF_FORMAT_RF64 | SF_FORMAT_FLOAT},
    {"w64", "pcm_16", SF_FORMAT_W64 | SF_FORMAT_PCM_16},
    {"w64", "pcm_32", SF_FORMAT_W64 | SF_FORMAT_PCM_32},
    {"w64", "float_64", SF_FORMAT_W64 | SF_FORMAT_DOUBLE},
    {"aiff", "pcm_16", SF_FORMAT_AIFF | SF_FORMAT_PCM_16},
    {"aiff", "pcm_24", SF_FORMAT_AIFF | SF_FORMAT_PCM_24},
    {"aiff", "pcm_32", SF_FORMAT_AIFF | SF_FORMAT_PCM_32},
    {"aiff", "float_32", SF_FORMAT_AIFF | SF_FORMAT_FLOAT},
    {"aiff", "float_64", SF_FORMAT_AIFF | SF_FORMAT_DOUBLE},
    {"aiff", "pcm_16", SF_FORMAT_AIFF | SF_FORMAT_PCM_16 | SF_ENDIAN_LITTLE},
    {"caf", "pcm_16", SF_FORMAT_CAF | SF_FORMAT_PCM_16},
    {"caf", "pcm_24", SF_FORMAT_CAF | SF_FORMAT_PCM_24},
    {"caf", "float_32", SF_FORMAT_CAF | SF_FORMAT_FLOAT},
    {"caf", "pcm_32", SF_FORMAT_CAF | SF_FORMAT_PCM_32 | SF_ENDIAN_LITTLE},
    {"flac", "pcm_16", SF_FORMAT_FLAC | SF_FORMAT_PCM_16},
    {"flac", "pcm_24", SF_FORMAT_FLAC | SF_FORMAT_PCM_24},
};
enum { FORMS = sizeof forms / sizeof forms[0] };

static void assert_reads_back(const struct form *form, int rate_hz, int channels)
{
    enum { FRAMES = 5000 };
    double *want = steps(channels, FRAMES);
    double *got = calloc((size_t)channels * (FRAMES + 1), sizeof *got);
    assert_non_null(got);
    int descriptor = files_written(form->format, rate_hz, channels, want, FRAMES);
    struct capture *capture = open_good(descriptor);
    const struct capture_format *format = capture_format(capture);
    assert_string_equal(format->container, form->container);
    assert_string_equal(format->encoding, form->encoding);
    assert_int_equal(format->sample_rate_hz, rate_hz);
    assert_int_equal(format->channels, channels);
    assert_int_equal(format->frames, FRAMES);
    int64_t done = 0, count;
    struct problem problem = {0};
    do {
        assert_true(capture_read(capture, got + done * channels,
                                 FRAMES - done < 777 ? FRAMES - done + 1 : 777, &count,
                                 &problem));
        done += count;
    } while (count > 0 && done < FRAMES);
    assert_int_equal(done, FRAMES);
    assert_true(capture_read(capture, got, 1, &count, &problem));
    assert_int_equal(count, 0);
    assert_true(capture_seek(capture, 0, &problem));
    assert_true(capture_read(capture, got, FRAMES, &count, &problem));
    assert_memory_equal(got, want, (size_t)channels * FRAMES * sizeof *got);
    capture_close(capture);
    close(descriptor);
    free(want);
    free(got);
}

static void every_encoding_reads_back_exactly(void **state)
{
    (void)state;
    for (int i = 0; i < FORMS; i++) {
        assert_reads_back(&forms[i], 48000, 2);
        if (forms[i].format != (SF_FORMAT_FLAC | SF_FORMAT_PCM_16) &&
            forms[i].format != (SF_FORMAT_FLAC | SF_FORMAT_PCM_24))
            assert_reads_back(&forms[i], 96000, 16);
        assert_reads_back(&forms[i], 44100, 1);
    }
    assert_reads_back(&(struct form){"flac", "pcm_24", SF_FORMAT_FLAC | SF_FORMAT_PCM_24},
                      192000, 8);
}

static void limits_of_rate_and_channels_are_read(void **state)
{
    (void)state;
    for (int channels = 1; channels <= 16; channels++)
        assert_reads_back(&forms[1], 48000, channels);
    static const int rates_hz[] = {8000,   11025,  44100,  88200,
                                   176400, 352800, 384000, 768000};
    for (size_t i = 0; i < sizeof rates_hz / sizeof rates_hz[0]; i++)
        assert_reads_back(&forms[i % 5], rates_hz[i], 2);
}

/* Rates that a wrong reading of the 80-bit and 64-bit floats, or of FLAC's 20 bits, would
 * miss. */
static void odd_rates_are_read_from_every_container(void **state)
{
    (void)state;
    static const int rates_hz[] = {8000, 47999, 192000, 655350};
    for (int i = 0; i < FORMS; i++)
        for (size_t k = 0; k < sizeof rates_hz / sizeof rates_hz[0]; k++)
            assert_reads_back(&forms[i], rates_hz[k], 3);
}

/* The mean and the extremes of an encoding: its lowest integer is −1 exactly, its highest
 * 1 − 2^(1−bits) (closed form). */
static void full_scale_is_one(void **state)
{
    (void)state;
    static const int bits[] = {16, 24, 32};
    for (int i = 0; i < 3; i++) {
        struct files_wav wav = {1, 1, 48000, (unsigned)bits[i], 0, 0, 0};
        wav.data_bytes = (uint32_t)bits[i] / 8 * 2;
        static struct files_bytes bytes;
        bytes.count = 0;
        files_text(&bytes, "RIFF");
        files_little(&bytes, 36 + wav.data_bytes, 4);
        files_text(&bytes, "WAVEfmt ");
        files_little(&bytes, 16, 4);
        files_fmt(&bytes, &wav);
        files_text(&bytes, "data");
        files_little(&bytes, wav.data_bytes, 4);
        files_little(&bytes, 1ULL << (bits[i] - 1), bits[i] / 8);
        files_little(&bytes, (1ULL << (bits[i] - 1)) - 1, bits[i] / 8);
        int descriptor = files_from_bytes(&bytes);
        struct capture *capture = open_good(descriptor);
        double samples[2];
        int64_t count;
        struct problem problem = {0};
        assert_true(capture_read(capture, samples, 2, &count, &problem));
        assert_close(samples[0], -1, 0);
        assert_close(samples[1], 1 - ldexp(1, 1 - bits[i]), 0);
        capture_close(capture);
        close(descriptor);
    }
}

static void floats_pass_beyond_full_scale(void **state)
{
    (void)state;
    static const double want[] = {1.5, -3.25, 1e-30, 1e10, -0.0, 1};
    int descriptor = files_written(SF_FORMAT_WAV | SF_FORMAT_DOUBLE, 48000, 1, want, 6);
    struct capture *capture = open_good(descriptor);
    double got[6];
    int64_t count;
    struct problem problem = {0};
    assert_true(capture_read(capture, got, 6, &count, &problem));
    assert_memory_equal(got, want, sizeof got);
    capture_close(capture);
    close(descriptor);
}

/* A bad sample is named by channel and frame, whatever was read or sought before. */
static void sample_that_is_not_finite_is_named(void **state)
{
    (void)state;
    enum { FRAMES = 3000 };
    static const double bad[] = {NAN, INFINITY, -INFINITY};
    static const int encodings[] = {SF_FORMAT_FLOAT, SF_FORMAT_DOUBLE};
    for (int i = 0; i < 6; i++) {
        double *samples = steps(3, FRAMES);
        samples[2345 * 3 + 1] = bad[i % 3];
        int descriptor =
            files_written(SF_FORMAT_WAV | encodings[i / 3], 48000, 3, samples, FRAMES);
        struct capture *capture = open_good(descriptor);
        int64_t count;
        struct problem problem = {0};
        assert_true(capture_seek(capture, 1000, &problem));
        assert_true(capture_read(capture, samples, 1345, &count, &problem));
        assert_int_equal(count, 1345);
        assert_false(capture_read(capture, samples, 100, &count, &problem));
        assert_int_equal(problem.kind, PROBLEM_NOT_FINITE);
        assert_non_null(strstr(problem.detail, "Channel 2"));
        assert_non_null(strstr(problem.detail, "frame 2345"));
        /* The file stands behind the bad sample now: seeking back must really move it. */
        problem = (struct problem){0};
        assert_true(capture_seek(capture, 2345, &problem));
        assert_false(capture_read(capture, samples, 1, &count, &problem));
        problem = (struct problem){0};
        assert_true(capture_seek(capture, 2346, &problem));
        assert_true(capture_read(capture, samples, 1, &count, &problem));
        capture_close(capture);
        close(descriptor);
        free(samples);
    }
}

static uint64_t spread(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return *seed >> 33;
}

/* Reads at 200 random places and compares with what was written. */
static void assert_seeks_exactly(int descriptor, const double *want, int channels,
                                 int64_t frames)
{
    struct capture *capture = open_good(descriptor);
    double got[64 * 2];
    uint64_t seed = 20;
    for (int i = 0; i < 200; i++) {
        int64_t frame = (int64_t)(spread(&seed) % (uint64_t)(frames + 1));
        int64_t count, present = frames - frame < 64 ? frames - frame : 64;
        struct problem problem = {0};
        assert_true(capture_seek(capture, frame, &problem));
        assert_true(capture_read(capture, got, 64, &count, &problem));
        if (count != present)
            print_error("seed 20, step %d: frame %lld\n", i, (long long)frame);
        assert_int_equal(count, present);
        assert_memory_equal(got, want + frame * channels,
                            (size_t)(count * channels) * sizeof *got);
    }
    capture_close(capture);
}

/* STREAMINFO's 36 bits of frames begin in the low half of byte 21. */
static void forget_flac_length(int descriptor)
{
    unsigned char bytes[5];
    assert_int_equal(pread(descriptor, bytes, 5, 21), 5);
    bytes[0] &= 0xF0;
    memset(bytes + 1, 0, 4);
    assert_int_equal(pwrite(descriptor, bytes, 5, 21), 5);
}

static void seeking_is_exact(void **state)
{
    (void)state;
    enum { FRAMES = 60000 };
    double *want = steps(2, FRAMES);
    for (int i = 0; i < FORMS; i++) {
        int descriptor = files_written(forms[i].format, 48000, 2, want, FRAMES);
        assert_seeks_exactly(descriptor, want, 2, FRAMES);
        close(descriptor);
    }
    free(want);
}

static void flac_of_unknown_length_is_read_and_sought(void **state)
{
    (void)state;
    enum { FRAMES = 60000 };
    double *want = steps(2, FRAMES), *got = calloc(2 * FRAMES, sizeof *got);
    assert_non_null(got);
    int descriptor =
        files_written(SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 48000, 2, want, FRAMES);
    forget_flac_length(descriptor);
    struct capture *capture = open_good(descriptor);
    assert_int_equal(capture_format(capture)->frames, -1);
    int64_t count;
    struct problem problem = {0};
    assert_true(capture_read(capture, got, FRAMES, &count, &problem));
    assert_int_equal(count, FRAMES);
    assert_memory_equal(got, want, 2 * FRAMES * sizeof *got);
    assert_true(capture_read(capture, got, 100, &count, &problem));
    assert_int_equal(count, 0);
    assert_false(capture_seek(capture, FRAMES + 1, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    capture_close(capture);
    assert_seeks_exactly(descriptor, want, 2, FRAMES);
    close(descriptor);
    free(want);
    free(got);
}

static void descriptor_keeps_its_offset(void **state)
{
    (void)state;
    double samples[200] = {0};
    int descriptor =
        files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, samples, 100);
    assert_int_equal(lseek(descriptor, 17, SEEK_SET), 17);
    struct capture *capture = open_good(descriptor);
    int64_t count;
    struct problem problem = {0};
    assert_true(capture_read(capture, samples, 100, &count, &problem));
    assert_int_equal(count, 100);
    capture_close(capture);
    assert_int_equal(lseek(descriptor, 0, SEEK_CUR), 17);
    close(descriptor);
}

static const struct files_wav good_wav = {1, 2, 48000, 16, 0, 4000, 4000};

static void bw64_is_read_as_rf64(void **state)
{
    (void)state;
    struct files_wav wav = good_wav;
    wav.data_bytes = 0xFFFFFFFF;
    int descriptor = files_wav("BW64", &wav, 4000);
    struct capture *capture = open_good(descriptor);
    assert_string_equal(capture_format(capture)->container, "bw64");
    assert_int_equal(capture_format(capture)->frames, 1000);
    capture_close(capture);
    close(descriptor);
}

/* Cut short, or left with the placeholder of a recorder that streams: what is there
 * counts. */
static void present_frames_count(void **state)
{
    (void)state;
    static const uint32_t declared[] = {4000, 40000, 0x7FFFF000, 0x7FFFFF00, 0xFFFFFFFF};
    for (size_t i = 0; i < sizeof declared / sizeof declared[0]; i++) {
        struct files_wav wav = good_wav;
        wav.data_bytes = declared[i];
        int descriptor = files_wav("RIFF", &wav, 0);
        struct capture *capture = open_good(descriptor);
        assert_int_equal(capture_format(capture)->frames, 1000);
        capture_close(capture);
        close(descriptor);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_encoding_reads_back_exactly),
        cmocka_unit_test(limits_of_rate_and_channels_are_read),
        cmocka_unit_test(odd_rates_are_read_from_every_container),
        cmocka_unit_test(full_scale_is_one),
        cmocka_unit_test(floats_pass_beyond_full_scale),
        cmocka_unit_test(sample_that_is_not_finite_is_named),
        cmocka_unit_test(seeking_is_exact),
        cmocka_unit_test(flac_of_unknown_length_is_read_and_sought),
        cmocka_unit_test(descriptor_keeps_its_offset),
        cmocka_unit_test(bw64_is_read_as_rf64),
        cmocka_unit_test(present_frames_count),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
