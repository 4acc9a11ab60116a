#include "analysis/capture/writer.h"

#include <fcntl.h>
#include <sys/stat.h>

#include "tests/analysis/capture/files.h"

static struct writer writer; /* too large for the stack */

static int write_file(const struct writer_format *format, const int32_t *samples,
                      int64_t block, int64_t *ret_bytes)
{
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    struct problem problem = {0};
    assert_true(writer_begin(descriptor, format, &writer, &problem));
    for (int64_t done = 0; done < format->frames; done += block) {
        int64_t count = format->frames - done < block ? format->frames - done : block;
        assert_true(
            writer_frames(&writer, samples + done * format->channels, count, &problem));
    }
    assert_true(writer_end(&writer, ret_bytes, &problem));
    return descriptor;
}

static void fill(int32_t *samples, int64_t count, int bits)
{
    for (int64_t i = 0; i < count; i++)
        samples[i] = (int32_t)((uint32_t)i * 2654435761u) >> (32 - bits);
    samples[0] = INT32_MIN >> (32 - bits);
    samples[1] = INT32_MAX >> (32 - bits);
}

/* libsndfile, which gives integers at the top of 32 bits, is the second opinion. */
static void libsndfile_reads_the_samples_back(void **state)
{
    (void)state;
    enum { FRAMES = 6001, CHANNELS = 16 };
    static int32_t samples[FRAMES * CHANNELS], got[FRAMES * CHANNELS];
    static const int bits[] = {16, 24, 32};
    static const int subtypes[] = {SF_FORMAT_PCM_16, SF_FORMAT_PCM_24, SF_FORMAT_PCM_32};
    for (int i = 0; i < 3; i++) {
        fill(samples, FRAMES * CHANNELS, bits[i]);
        for (int channels = 1; channels <= CHANNELS; channels++) {
            struct writer_format format = {96000, bits[i], channels, FRAMES};
            int64_t bytes;
            int descriptor = write_file(&format, samples, 1000, &bytes);
            struct stat status;
            assert_int_equal(fstat(descriptor, &status), 0);
            assert_int_equal(status.st_size, bytes);
            assert_int_equal(lseek(descriptor, 0, SEEK_SET), 0);
            SF_INFO info = {0};
            SNDFILE *file = sf_open_fd(descriptor, SFM_READ, &info, 0);
            assert_non_null(file);
            assert_int_equal(info.format, subtypes[i] | (channels > 2 ? SF_FORMAT_WAVEX
                                                                      : SF_FORMAT_WAV));
            assert_int_equal(info.frames, FRAMES);
            assert_int_equal(info.channels, channels);
            assert_int_equal(info.samplerate, 96000);
            assert_int_equal(sf_readf_int(file, got, FRAMES), FRAMES);
            for (int k = 0; k < FRAMES * channels; k++)
                assert_int_equal(got[k] >> (32 - bits[i]), samples[k]);
            sf_close(file);
            close(descriptor);
        }
    }
}

/* The whole file, byte for byte, from the published layout of RIFF/WAVE: an odd number of
 * data bytes is padded and the RIFF size counts the pad, the data size does not. */
static void small_file_is_known_to_the_byte(void **state)
{
    (void)state;
    static const char want[] = "RIFF\x28\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x44\xAC\0\0"
                               "\xCC\x04\2\0\3\0\x18\0data\3\0\0\0\x56\x34\xF2\0";
    struct writer_format format = {44100, 24, 1, 1};
    int64_t bytes;
    int descriptor = write_file(&format, (const int32_t[]){-0x0DCBAA}, 1, &bytes);
    char got[sizeof want - 1];
    assert_int_equal(bytes, sizeof got);
    assert_int_equal(pread(descriptor, got, sizeof got, 0), sizeof got);
    assert_memory_equal(got, want, sizeof got);
    close(descriptor);
}

static void bytes_do_not_depend_on_the_block(void **state)
{
    (void)state;
    enum { FRAMES = 50000 };
    static int32_t samples[FRAMES * 3];
    static char first[FRAMES * 9 + 68], second[FRAMES * 9 + 68];
    fill(samples, FRAMES * 3, 24);
    struct writer_format format = {48000, 24, 3, FRAMES};
    int64_t bytes;
    int descriptor = write_file(&format, samples, FRAMES, &bytes);
    assert_int_equal(bytes, sizeof first);
    assert_int_equal(pread(descriptor, first, sizeof first, 0), sizeof first);
    close(descriptor);
    descriptor = write_file(&format, samples, 17, &bytes);
    assert_int_equal(pread(descriptor, second, sizeof second, 0), sizeof second);
    assert_memory_equal(first, second, sizeof first);
    close(descriptor);
}

/* A RIFF size is 32 bits: the most frames are the largest n with 36 + n·frame ≤ 2^32 − 1
 * (and a pad byte). */
static void more_than_4_gib_is_refused(void **state)
{
    (void)state;
    struct problem problem = {0};
    struct writer_format format = {768000, 32, 2, (0xFFFFFFFFLL - 45) / 8};
    assert_true(writer_begin(-1, &format, &writer, &problem));
    format.frames++;
    assert_false(writer_begin(-1, &format, &writer, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "duration_s");
    assert_non_null(strstr(problem.detail, "4 GiB"));
}

static void full_disk_is_said(void **state)
{
    (void)state;
    int descriptor = open("/dev/full", O_WRONLY | O_CLOEXEC);
    assert_true(descriptor >= 0);
    struct problem problem = {0};
    struct writer_format format = {48000, 16, 1, 1};
    int64_t bytes;
    assert_true(writer_begin(descriptor, &format, &writer, &problem));
    assert_true(writer_frames(&writer, (const int32_t[]){0}, 1, &problem));
    assert_false(writer_end(&writer, &bytes, &problem));
    assert_int_equal(problem.kind, PROBLEM_DISK_FULL);
    assert_non_null(strstr(problem.detail, "No space left"));
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(libsndfile_reads_the_samples_back),
        cmocka_unit_test(small_file_is_known_to_the_byte),
        cmocka_unit_test(bytes_do_not_depend_on_the_block),
        cmocka_unit_test(more_than_4_gib_is_refused),
        cmocka_unit_test(full_disk_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
