/* Blocks and single channels: libsndfile's own reading as doubles says what is right, to
 * the bit. */
#include "analysis/capture/capture.h"

#include "tests/analysis/capture/files.h"

enum { FRAMES = CAPTURE_BLOCK_FRAMES + 1001, CHANNELS = 3 };

static const int formats[] = {
    SF_FORMAT_WAV | SF_FORMAT_PCM_16,
    SF_FORMAT_WAV | SF_FORMAT_PCM_24,
    SF_FORMAT_WAV | SF_FORMAT_PCM_32,
    SF_FORMAT_WAV | SF_FORMAT_FLOAT,
    SF_FORMAT_AIFF | SF_FORMAT_PCM_24,
    SF_FORMAT_CAF | SF_FORMAT_PCM_24 | SF_ENDIAN_LITTLE,
    SF_FORMAT_FLAC | SF_FORMAT_PCM_24,
};

static int recording(int format, int channels)
{
    static int samples[FRAMES * CHANNELS];
    struct support_random random = support_random_seed((uint64_t)channels);
    SF_INFO info = {.samplerate = 48000, .channels = channels, .format = format};
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    SNDFILE *file = sf_open_fd(dup(descriptor), SFM_WRITE, &info, 1);
    assert_non_null(file);
    for (int i = 0; i < FRAMES * channels; i++)
        samples[i] = (int)(support_uniform(&random) * 4294967295.0 - 2147483648.0);
    assert_int_equal(sf_writef_int(file, samples, FRAMES), FRAMES);
    sf_close(file);
    return descriptor;
}

static void assert_channels(const struct capture *capture, const double *want,
                            int channels, int first, int count)
{
    static double got[CAPTURE_BLOCK_FRAMES];
    for (int c = 0; c < channels; c++) {
        capture_channel(capture, c, first, count, got);
        for (int n = 0; n < count; n++)
            assert_true(got[n] == want[(first + n) * channels + c]);
    }
}

static void blocks_are_what_libsndfile_reads(void **state)
{
    static double want[FRAMES * CHANNELS], whole[FRAMES * CHANNELS];
    (void)state;
    for (size_t f = 0; f < sizeof formats / sizeof *formats; f++)
        for (int channels = 1; channels <= CHANNELS; channels++) {
            int descriptor = recording(formats[f], channels), got = 0;
            int64_t all = 0;
            struct capture *capture = NULL;
            SF_INFO info = {0};
            assert_true(lseek(descriptor, 0, SEEK_SET) == 0);
            SNDFILE *file = sf_open_fd(dup(descriptor), SFM_READ, &info, 1);
            assert_int_equal(sf_readf_double(file, want, FRAMES), FRAMES);
            sf_close(file);
            assert_true(capture_open(descriptor, &capture, NULL));
            assert_true(capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &got, NULL));
            assert_int_equal(got, CAPTURE_BLOCK_FRAMES);
            assert_channels(capture, want, channels, 0, got);
            assert_channels(capture, want, channels, 17, 100);
            assert_true(capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &got, NULL));
            assert_int_equal(got, FRAMES - CAPTURE_BLOCK_FRAMES); /* the end */
            assert_channels(capture, want + CAPTURE_BLOCK_FRAMES * channels, channels, 0,
                            got);
            assert_true(capture_seek(capture, 0, NULL));
            assert_true(capture_read(capture, whole, FRAMES, &all, NULL));
            assert_int_equal(all, FRAMES);
            assert_memory_equal(whole, want, sizeof *want * FRAMES * (size_t)channels);
            capture_close(capture);
            close(descriptor);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(blocks_are_what_libsndfile_reads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
