#include "analysis/capture/header.h"

#include <math.h>

#include "tests/analysis/capture/files.h"

static struct header read_good(int descriptor, enum container container)
{
    struct header header;
    struct problem problem = {0};
    assert_true(header_read(descriptor, container, &header, &problem));
    close(descriptor);
    return header;
}

static void assert_header(const struct header *header, int channels, double rate_hz,
                          int64_t frames)
{
    assert_true(header->found);
    assert_int_equal(header->channels, channels);
    assert_close(header->sample_rate_hz, rate_hz, 0);
    assert_int_equal(header->frames, frames);
}

/* What libsndfile wrote, read by our own walk: rates that a wrong reading of the 80-bit
 * and 64-bit floats, or of FLAC's 20 bits, would miss. */
static void headers_of_libsndfile_are_understood(void **state)
{
    (void)state;
    static const struct {
        int format;
        enum container container;
    } forms[] = {
        {SF_FORMAT_WAV | SF_FORMAT_PCM_24, CONTAINER_WAV},
        {SF_FORMAT_WAVEX | SF_FORMAT_PCM_16, CONTAINER_WAV},
        {SF_FORMAT_RF64 | SF_FORMAT_FLOAT, CONTAINER_RF64},
        {SF_FORMAT_W64 | SF_FORMAT_DOUBLE, CONTAINER_W64},
        {SF_FORMAT_AIFF | SF_FORMAT_PCM_24, CONTAINER_AIFF},
        {SF_FORMAT_AIFF | SF_FORMAT_FLOAT, CONTAINER_AIFF},
        {SF_FORMAT_CAF | SF_FORMAT_PCM_16, CONTAINER_CAF},
        {SF_FORMAT_FLAC | SF_FORMAT_PCM_24, CONTAINER_FLAC},
    };
    static const int rates_hz[] = {8000, 44100, 47999, 192000, 655350};
    static const double samples[3 * 500];
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        for (size_t k = 0; k < 5; k++) {
            int descriptor = files_written(forms[i].format, rates_hz[k], 3, samples, 500);
            struct header header = read_good(descriptor, forms[i].container);
            assert_header(&header, 3, rates_hz[k], 500);
        }
    }
}

static void declared_frames_are_told_even_where_absent(void **state)
{
    (void)state;
    struct files_wav wav = {1, 2, 48000, 24, 0, 6000000, 600};
    struct header header = read_good(files_wav("RIFF", &wav, 0), CONTAINER_WAV);
    assert_header(&header, 2, 48000, 1000000);
    wav.data_bytes = 0xFFFFFFFF;
    header = read_good(files_wav("RF64", &wav, 6ULL << 36), CONTAINER_RF64);
    assert_header(&header, 2, 48000, 1LL << 36);
    header = read_good(files_wav("BW64", &wav, 6ULL << 36), CONTAINER_BW64);
    assert_header(&header, 2, 48000, 1LL << 36);
}

static void placeholders_tell_nothing(void **state)
{
    (void)state;
    static const uint32_t sizes[] = {0,          0x7FFFF000, 0x7FFFFFFF,
                                     0x80000000, 0xFFFFFFFE, 0xFFFFFFFF};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct files_wav wav = {1, 2, 48000, 16, 0, sizes[i], 400};
        struct header header = read_good(files_wav("RIFF", &wav, 0), CONTAINER_WAV);
        assert_header(&header, 2, 48000, -1);
    }
    struct files_wav wav = {1, 2, 48000, 16, 0, 0x7FFFEFFC, 400};
    struct header header = read_good(files_wav("RIFF", &wav, 0), CONTAINER_WAV);
    assert_header(&header, 2, 48000, 0x7FFFEFFC / 4);
}

/* A chunk of an odd size is followed by a pad byte; names of all kinds are passed over.
 */
static void chunks_before_the_audio_are_passed(void **state)
{
    (void)state;
    static struct files_bytes bytes;
    bytes.count = 0;
    files_text(&bytes, "RIFF....WAVELIST");
    files_little(&bytes, 3, 4);
    files_text(&bytes, "abc.JUNK");
    files_little(&bytes, 0, 4);
    files_text(&bytes, "fmt ");
    files_little(&bytes, 16, 4);
    files_fmt(&bytes, &(struct files_wav){3, 4, 96000, 32, 0, 0, 0});
    files_text(&bytes, "data");
    files_little(&bytes, 1600, 4);
    struct header header = read_good(files_from_bytes(&bytes), CONTAINER_WAV);
    assert_header(&header, 4, 96000, 100);
}

/* Sizes that lead backwards or nowhere end the walk at once. */
static void senseless_sizes_end_the_walk(void **state)
{
    (void)state;
    static struct files_bytes bytes;
    static const uint64_t sizes[] = {0, 1, 23, UINT64_MAX, 1ULL << 63, INT64_MAX};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        bytes.count = 40; /* the head of W64, of which the walk needs nothing */
        files_text(&bytes, "junkGUIDGUIDGUID");
        files_little(&bytes, sizes[i], 8);
        struct header header = read_good(files_from_bytes(&bytes), CONTAINER_W64);
        assert_false(header.found);
        bytes.count = 8;
        files_text(&bytes, "free");
        files_big(&bytes, sizes[i], 8);
        header = read_good(files_from_bytes(&bytes), CONTAINER_CAF);
        assert_false(header.found);
    }
}

/* 10000 empty chunks: the walk gives up instead of going through them all. */
static void endless_chunks_end_the_walk(void **state)
{
    (void)state;
    static struct files_bytes bytes;
    bytes.count = 0;
    files_text(&bytes, "RIFF....WAVE");
    for (int i = 0; i < 10000; i++) {
        files_text(&bytes, "JUNK");
        files_little(&bytes, 0, 4);
    }
    files_text(&bytes, "fmt ");
    files_little(&bytes, 16, 4);
    files_fmt(&bytes, &(struct files_wav){1, 1, 48000, 16, 0, 0, 0});
    struct header header = read_good(files_from_bytes(&bytes), CONTAINER_WAV);
    assert_false(header.found);
}

static void limits_are_inclusive(void **state)
{
    (void)state;
    static const struct {
        struct header header;
        const char *field; /* NULL: within */
    } cases[] = {
        {{true, 1, 8000, 2, 1}, NULL},
        {{true, 16, 768000, 2, -1}, NULL},
        {{true, 2, 48000, 4, 48000LL * 4 * 3600}, NULL},
        {{true, 2, 48000, 4, 48000LL * 4 * 3600 + 1}, "frames"},
        {{true, 0, 48000, 4, 1}, "channels"},
        {{true, 17, 48000, 4, 1}, "channels"},
        {{true, 1, 7999, 4, 1}, "sample_rate_hz"},
        {{true, 1, 768000.5, 4, 1}, "sample_rate_hz"},
        {{true, 1, NAN, 4, 1}, "sample_rate_hz"},
        {{true, 1, INFINITY, 4, 1}, "sample_rate_hz"},
        {{true, 1, -48000, 4, 1}, "sample_rate_hz"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct problem problem = {0};
        assert_int_equal(header_check(&cases[i].header, &problem),
                         cases[i].field == NULL);
        if (cases[i].field) {
            assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
            assert_string_equal(problem.field, cases[i].field);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(headers_of_libsndfile_are_understood),
        cmocka_unit_test(declared_frames_are_told_even_where_absent),
        cmocka_unit_test(placeholders_tell_nothing),
        cmocka_unit_test(chunks_before_the_audio_are_passed),
        cmocka_unit_test(senseless_sizes_end_the_walk),
        cmocka_unit_test(endless_chunks_end_the_walk),
        cmocka_unit_test(limits_are_inclusive),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
