/* Read back by libsndfile's decoder; STREAMINFO by its layout in RFC 9639, 8.2. What the
 * MD5 there must be, and the verdict of another decoder: tests/api/signals_test.py. */
#include "analysis/capture/flac_writer.h"

#include <fcntl.h>
#include <sys/stat.h>

#include "tests/analysis/capture/files.h"

enum { FRAMES = 30001, CHANNELS = 8 };

static int32_t samples[FRAMES * CHANNELS], got[FRAMES * CHANNELS];

static void fill(int bits)
{
    for (int64_t i = 0; i < FRAMES * CHANNELS; i++)
        samples[i] = (int32_t)((uint32_t)i * 2654435761u) >> (32 - bits);
    samples[0] = INT32_MIN >> (32 - bits);
    samples[1] = INT32_MAX >> (32 - bits);
}

static int write_file(const struct writer_format *format, int64_t block,
                      int64_t *ret_bytes)
{
    int descriptor = memfd_create("test", MFD_CLOEXEC);
    struct problem problem = {0};
    struct flac_writer *writer;
    if (!flac_writer_begin(descriptor, format, &writer, &problem))
        fail_msg("%s", problem.detail);
    for (int64_t done = 0; done < format->frames; done += block) {
        int64_t count = format->frames - done < block ? format->frames - done : block;
        assert_true(flac_writer_frames(writer, samples + done * format->channels, count,
                                       &problem));
    }
    assert_true(flac_writer_end(writer, ret_bytes, &problem));
    flac_writer_free(writer);
    struct stat status;
    assert_int_equal(fstat(descriptor, &status), 0);
    assert_int_equal(status.st_size, *ret_bytes);
    return descriptor;
}

static void samples_come_back(void **state)
{
    (void)state;
    static const int all_bits[] = {16, 24}, rates_hz[] = {8000, 65535, 192000, 655350};
    for (int b = 0; b < 2; b++) {
        fill(all_bits[b]);
        for (int i = 0; i < 4; i++) {
            struct writer_format format = {rates_hz[i], all_bits[b],
                                           i == 3 ? CHANNELS : i + 1, FRAMES};
            int64_t bytes;
            int descriptor = write_file(&format, 1000, &bytes);
            assert_int_equal(lseek(descriptor, 0, SEEK_SET), 0);
            SF_INFO info = {0};
            SNDFILE *file = sf_open_fd(descriptor, SFM_READ, &info, 0);
            assert_non_null(file);
            assert_int_equal(info.frames, FRAMES);
            assert_int_equal(info.channels, format.channels);
            assert_int_equal(info.samplerate, rates_hz[i]);
            assert_int_equal(sf_readf_int(file, got, FRAMES), FRAMES);
            for (int k = 0; k < FRAMES * format.channels; k++)
                assert_int_equal(got[k] >> (32 - format.bits), samples[k]);
            sf_close(file);
            close(descriptor);
        }
    }
}

/* 4 bytes of magic, 4 of the block's header; then, of 34: rate from byte 10 (20 bits),
 * channels − 1 (3), bits − 1 (5), frames (36), MD5. */
static void streaminfo_is_complete(void **state)
{
    (void)state;
    static const unsigned char none[16] = {0};
    unsigned char head[42];
    int64_t bytes;
    fill(24);
    struct writer_format format = {96000, 24, 2, FRAMES};
    int descriptor = write_file(&format, FRAMES, &bytes);
    assert_int_equal(pread(descriptor, head, sizeof head, 0), sizeof head);
    assert_memory_equal(head, "fLaC", 4);
    uint64_t packed = 0;
    for (int i = 0; i < 8; i++)
        packed = packed << 8 | head[8 + 10 + i];
    assert_int_equal(packed >> 44, 96000);
    assert_int_equal(packed >> 41 & 7, 1);
    assert_int_equal(packed >> 36 & 31, 23);
    assert_int_equal(packed & 0xFFFFFFFFF, FRAMES);
    assert_true(memcmp(head + 26, none, 16) != 0);
    close(descriptor);
}

static void bytes_do_not_depend_on_the_block(void **state)
{
    (void)state;
    static char first[FRAMES * 8], second[FRAMES * 8];
    int64_t bytes, again;
    fill(16);
    struct writer_format format = {48000, 16, 3, FRAMES};
    int descriptor = write_file(&format, FRAMES, &bytes);
    assert_int_equal(pread(descriptor, first, sizeof first, 0), bytes);
    close(descriptor);
    descriptor = write_file(&format, 17, &again);
    assert_int_equal(again, bytes);
    assert_int_equal(pread(descriptor, second, sizeof second, 0), bytes);
    assert_memory_equal(first, second, (size_t)bytes);
    close(descriptor);
}

static void what_flac_does_not_hold_is_refused(void **state)
{
    (void)state;
    static const struct {
        struct writer_format format;
        const char *field, *number;
    } cases[] = {
        {{48000, 32, 2, 1}, "bits", "32"},
        {{48000, 24, 9, 1}, "channels", "9"},
        {{655351, 24, 2, 1}, "sample_rate_hz", "655351 Hz"},
        {{768000, 24, 2, 1}, "sample_rate_hz", "768000 Hz"},
        {{65537, 24, 2, 1}, "sample_rate_hz", "65537 Hz"},
        {{655349, 24, 2, 1}, "sample_rate_hz", "655349 Hz"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct problem problem = {0};
        struct flac_writer *writer;
        assert_false(flac_writer_begin(-1, &cases[i].format, &writer, &problem));
        assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, cases[i].field);
        assert_non_null(strstr(problem.detail, cases[i].number));
    }
}

static void full_disk_is_said(void **state)
{
    (void)state;
    int descriptor = open("/dev/full", O_WRONLY | O_CLOEXEC);
    assert_true(descriptor >= 0);
    struct problem problem = {0};
    struct writer_format format = {48000, 24, 8, FRAMES};
    struct flac_writer *writer;
    int64_t bytes;
    fill(24);
    assert_false(flac_writer_begin(descriptor, &format, &writer, &problem) &&
                 flac_writer_frames(writer, samples, FRAMES, &problem) &&
                 flac_writer_end(writer, &bytes, &problem));
    assert_int_equal(problem.kind, PROBLEM_DISK_FULL);
    flac_writer_free(writer);
    flac_writer_free(NULL);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(samples_come_back),
        cmocka_unit_test(streaminfo_is_complete),
        cmocka_unit_test(bytes_do_not_depend_on_the_block),
        cmocka_unit_test(what_flac_does_not_hold_is_refused),
        cmocka_unit_test(full_disk_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
