/* What capture_open and capture_seek refuse, and what they say. */
#include "analysis/capture/capture.h"

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

static void assert_refused(int descriptor, enum problem_kind kind, const char *field,
                           const char *says)
{
    struct capture *capture = NULL;
    struct problem problem = {0};
    assert_false(capture_open(descriptor, &capture, &problem));
    assert_null(capture);
    if (problem.kind != kind || !strstr(problem.detail, says))
        print_error("%s: %s\n", problem_code(problem.kind), problem.detail);
    assert_int_equal(problem.kind, kind);
    assert_string_equal(problem.field, field);
    assert_non_null(strstr(problem.detail, says));
    close(descriptor);
}

static uint64_t spread(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return *seed >> 33;
}

static const struct files_wav good_wav = {1, 2, 48000, 16, 0, 4000, 4000};

static void lies_of_the_header_are_refused(void **state)
{
    (void)state;
    struct files_wav wav = good_wav;
    wav.channels = 0;
    wav.block_align = 4;
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_OUT_OF_RANGE, "channels",
                   "0 channels");
    wav.block_align = 0;
    wav.channels = 17;
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_OUT_OF_RANGE, "channels", "17");
    wav.channels = 1000;
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_OUT_OF_RANGE, "channels", "1000");
    wav = good_wav;
    static const unsigned rates_hz[] = {0, 7999, 768001, 4000000000u};
    for (int i = 0; i < 4; i++) {
        wav.rate_hz = rates_hz[i];
        char number[16];
        snprintf(number, sizeof number, "%u Hz", rates_hz[i]);
        assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
                       number);
    }
    wav = good_wav;
    wav.data_bytes = 0xFFFFFFFF;
    assert_refused(files_wav("RF64", &wav, 1ULL << 38), PROBLEM_OUT_OF_RANGE, "frames",
                   "68719476736 frames");
    wav.data_bytes = 0xF0000000;
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_OUT_OF_RANGE, "frames", "5.8 h");
    wav = good_wav;
    wav.data_bytes = 0;
    wav.present_bytes = 0;
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_NO_AUDIO, "", "no frame");
}

/* 4 h is the most (CAPTURE_MAX_DURATION_S): one frame more is refused. Mono 16 bit at 8
 * kHz; the file is sparse. */
static void four_hours_are_the_limit(void **state)
{
    (void)state;
    for (uint32_t more = 0; more < 2; more++) {
        uint32_t bytes = (8000 * 4 * 3600 + more) * 2;
        struct files_wav wav = {1, 1, 8000, 16, 0, bytes, 0};
        int descriptor = files_wav("RIFF", &wav, 0);
        assert_int_equal(ftruncate(descriptor, 44 + (off_t)bytes), 0);
        if (more) {
            assert_refused(descriptor, PROBLEM_OUT_OF_RANGE, "frames",
                           "115200001 frames");
        } else {
            struct capture *capture = open_good(descriptor);
            assert_int_equal(capture_format(capture)->frames, 8000 * 4 * 3600);
            capture_close(capture);
            close(descriptor);
        }
    }
}

static void flac_of_2_to_36_frames_is_refused(void **state)
{
    (void)state;
    double samples[2000] = {0};
    int descriptor =
        files_written(SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 48000, 2, samples, 1000);
    unsigned char byte;
    assert_int_equal(pread(descriptor, &byte, 1, 21), 1);
    byte |= 0x0F;
    assert_int_equal(pwrite(descriptor, &byte, 1, 21), 1);
    assert_int_equal(pwrite(descriptor, "\xFF\xFF\xFF\xFF", 4, 22), 4);
    assert_refused(descriptor, PROBLEM_OUT_OF_RANGE, "frames", "68719476735 frames");
}

static void other_encodings_are_named(void **state)
{
    (void)state;
    double samples[2000] = {0};
    static const struct {
        int format;
        const char *says;
    } cases[] = {
        {SF_FORMAT_WAV | SF_FORMAT_PCM_U8, "8"},
        {SF_FORMAT_WAV | SF_FORMAT_ULAW, "µ-law"},
        {SF_FORMAT_WAV | SF_FORMAT_ALAW, "A-law"},
        {SF_FORMAT_WAV | SF_FORMAT_IMA_ADPCM, "IMA ADPCM"},
        {SF_FORMAT_WAV | SF_FORMAT_MS_ADPCM, "ADPCM"},
        {SF_FORMAT_W64 | SF_FORMAT_ULAW, "µ-law"},
        {SF_FORMAT_AIFF | SF_FORMAT_PCM_S8, "8 bit"},
        {SF_FORMAT_AIFF | SF_FORMAT_ULAW, "ulaw"},
        {SF_FORMAT_CAF | SF_FORMAT_ALAC_16, "ALAC"},
        {SF_FORMAT_CAF | SF_FORMAT_ULAW, "µ-law"},
        {SF_FORMAT_FLAC | SF_FORMAT_PCM_S8, "8 bits"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        assert_refused(files_written(cases[i].format, 48000, 1, samples, 2000),
                       PROBLEM_UNSUPPORTED_FORMAT, "encoding", cases[i].says);
}

/* One channel of 16 bits in frames of 4 bytes may be two channels. */
static void frames_wider_than_their_bits_are_refused(void **state)
{
    (void)state;
    struct files_wav wav = {1, 1, 48000, 16, 4, 4000, 4000};
    assert_refused(files_wav("RIFF", &wav, 0), PROBLEM_UNSUPPORTED_FORMAT, "encoding",
                   "make frames of 2 bytes, but the header says 4");
}

static void pipe_is_refused(void **state)
{
    (void)state;
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    assert_refused(ends[0], PROBLEM_NOT_AUDIO, "", "regular file");
    close(ends[1]);
}

static void broken_headers_are_refused(void **state)
{
    (void)state;
    static const char no_data[] = "RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\1\0\2\0\x80\xBB\0\0"
                                  "\0\xEE\2\0\4\0\x10\0";
    assert_refused(files_descriptor(no_data, sizeof no_data - 1), PROBLEM_NOT_AUDIO, "",
                   "wav");
    static const char no_format[] = "RIFF\x10\0\0\0WAVEdata\4\0\0\0abcd";
    assert_refused(files_descriptor(no_format, sizeof no_format - 1), PROBLEM_NOT_AUDIO,
                   "", "wav");
    static const char no_flac[] = "fLaC but nothing of it follows here, only words.";
    assert_refused(files_descriptor(no_flac, sizeof no_flac - 1), PROBLEM_NOT_AUDIO, "",
                   "flac");
}

/* Opens, and where that works reads, 20000 spoilt copies: any answer but a crash will do.
 */
static void spoilt_files_never_crash(void **state)
{
    (void)state;
    double samples[2 * 300] = {0}, got[16 * 64];
    static const int formats[] = {
        SF_FORMAT_WAV | SF_FORMAT_PCM_16, SF_FORMAT_RF64 | SF_FORMAT_PCM_24,
        SF_FORMAT_W64 | SF_FORMAT_FLOAT,  SF_FORMAT_AIFF | SF_FORMAT_PCM_16,
        SF_FORMAT_CAF | SF_FORMAT_PCM_24,
    };
    uint64_t seed = 4711;
    for (int i = 0; i < 5 * 4000; i++) {
        int descriptor = files_written(formats[i % 5], 48000, 2, samples, 300);
        for (int k = 0; k < 3; k++) {
            unsigned char byte = (unsigned char)spread(&seed);
            assert_int_equal(pwrite(descriptor, &byte, 1, (off_t)(spread(&seed) % 120)),
                             1);
        }
        struct capture *capture = NULL;
        struct problem problem = {0};
        if (capture_open(descriptor, &capture, &problem)) {
            int64_t count;
            assert_between(capture_format(capture)->channels, 1, 16);
            assert_between(capture_format(capture)->sample_rate_hz, 8000, 768000);
            if (capture_read(capture, got, 64, &count, &problem))
                assert_between((double)count, 0, 64);
            capture_close(capture);
        } else {
            assert_int_not_equal(problem.kind, PROBLEM_NONE);
        }
        close(descriptor);
    }
}

/* Reads all, seeks and reads again: a frame is the same whenever it is read. */
static void assert_read_twice_alike(struct capture *capture)
{
    static double first[16 * 6000], second[16 * 6000];
    int channels = capture_format(capture)->channels;
    int64_t count, again;
    struct problem problem = {0};
    if (!capture_read(capture, first, 6000, &count, &problem)) {
        assert_int_not_equal(problem.kind, PROBLEM_NONE);
        return;
    }
    assert_between((double)count, 0, 6000);
    int64_t frame = count / 3;
    assert_true(capture_seek(capture, frame, &problem));
    assert_true(capture_read(capture, second, count - frame, &again, &problem));
    assert_int_equal(again, count - frame);
    assert_memory_equal(second, first + frame * channels,
                        sizeof *second * (size_t)(again * channels));
}

/* 1200 copies of FLAC with bytes changed, taken out or cut off, anywhere. */
static void spoilt_flac_reads_alike_or_is_refused(void **state)
{
    (void)state;
    static double samples[2 * 5000];
    static char bytes[1 << 16];
    uint64_t seed = 4712;
    for (int i = 0; i < 2 * 5000; i++)
        samples[i] = (double)(spread(&seed) % 65536) / 65536 - 0.5;
    int good = files_written(SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 48000, 2, samples, 5000);
    ssize_t length = pread(good, bytes, sizeof bytes, 0);
    assert_true(length > 0 && length < (ssize_t)sizeof bytes);
    close(good);
    for (int i = 0; i < 1200; i++) {
        uint64_t from = spread(&seed) % (uint64_t)length;
        uint64_t out = i % 4 == 0 ? spread(&seed) % ((uint64_t)length - from) : 0;
        int descriptor = files_descriptor(bytes, from);
        assert_true(write(descriptor, bytes + from + out,
                          (size_t)((uint64_t)length - from - out)) >= 0);
        for (uint64_t k = spread(&seed) % 4; k > 0; k--) {
            unsigned char byte = (unsigned char)spread(&seed);
            uint64_t within = spread(&seed) % 5 == 0 ? 42 : (uint64_t)length - out;
            assert_int_equal(
                pwrite(descriptor, &byte, 1, (off_t)(spread(&seed) % within)), 1);
        }
        struct capture *capture = NULL;
        struct problem problem = {0};
        if (capture_open(descriptor, &capture, &problem)) {
            capture_verify(capture);
            assert_read_twice_alike(capture);
            capture_close(capture);
        } else {
            assert_int_not_equal(problem.kind, PROBLEM_NONE);
        }
        close(descriptor);
    }
}

static void seeking_beyond_the_end_is_refused(void **state)
{
    (void)state;
    double samples[200] = {0};
    int descriptor =
        files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, samples, 100);
    struct capture *capture = open_good(descriptor);
    int64_t count;
    struct problem problem = {0};
    assert_true(capture_seek(capture, 100, &problem));
    assert_true(capture_read(capture, samples, 1, &count, &problem));
    assert_int_equal(count, 0);
    assert_false(capture_seek(capture, 101, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_non_null(strstr(problem.detail, "100 frames"));
    capture_close(capture);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lies_of_the_header_are_refused),
        cmocka_unit_test(four_hours_are_the_limit),
        cmocka_unit_test(flac_of_2_to_36_frames_is_refused),
        cmocka_unit_test(other_encodings_are_named),
        cmocka_unit_test(frames_wider_than_their_bits_are_refused),
        cmocka_unit_test(pipe_is_refused),
        cmocka_unit_test(broken_headers_are_refused),
        cmocka_unit_test(spoilt_files_never_crash),
        cmocka_unit_test(spoilt_flac_reads_alike_or_is_refused),
        cmocka_unit_test(seeking_beyond_the_end_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
