/* FLAC through capture_open: damage at known places, told with its frames. What was
 * encoded says what is right. */
#include "analysis/capture/flac_reader.h"

#include <FLAC/stream_encoder.h>

#include "analysis/capture/capture.h"
#include "tests/analysis/capture/files.h"

enum { FRAMES = 60000, BLOCK = 1024, MOST_BLOCKS = 64 };

struct written {
    int descriptor, channels, bits, blocks;
    off_t starts[MOST_BLOCKS + 1]; /* of each block in the file, and its end */
    const FLAC__int32 *samples;
};

static FLAC__int32 noise[FRAMES * 2];

/* −2^(bits−1) … 2^(bits−1) − 1, every one of them different noise. */
static void make_noise(int bits)
{
    struct support_random random = support_random_seed(99);
    double scale = (double)(1LL << bits);
    for (int i = 0; i < FRAMES * 2; i++)
        noise[i] = (FLAC__int32)((support_uniform(&random) - 0.5) * scale);
}

static FLAC__StreamEncoderWriteStatus put(const FLAC__StreamEncoder *encoder,
                                          const FLAC__byte *bytes, size_t count,
                                          uint32_t samples, uint32_t frame, void *context)
{
    struct written *written = context;
    (void)encoder;
    (void)frame;
    if (samples > 0)
        written->starts[written->blocks++] = lseek(written->descriptor, 0, SEEK_CUR);
    return write(written->descriptor, bytes, count) == (ssize_t)count
               ? FLAC__STREAM_ENCODER_WRITE_STATUS_OK
               : FLAC__STREAM_ENCODER_WRITE_STATUS_FATAL_ERROR;
}

static FLAC__StreamEncoderWriteStatus put_unplaced(const FLAC__StreamEncoder *encoder,
                                                   const FLAC__byte *bytes, size_t count,
                                                   uint32_t samples, uint32_t frame,
                                                   void *context)
{
    (void)samples;
    return put(encoder, bytes, count, 0, frame, context);
}

static FLAC__StreamEncoderSeekStatus go(const FLAC__StreamEncoder *encoder,
                                        FLAC__uint64 offset, void *context)
{
    (void)encoder;
    lseek(((struct written *)context)->descriptor, (off_t)offset, SEEK_SET);
    return FLAC__STREAM_ENCODER_SEEK_STATUS_OK;
}

static FLAC__StreamEncoderTellStatus tell(const FLAC__StreamEncoder *encoder,
                                          FLAC__uint64 *ret, void *context)
{
    (void)encoder;
    *ret = (FLAC__uint64)lseek(((struct written *)context)->descriptor, 0, SEEK_CUR);
    return FLAC__STREAM_ENCODER_TELL_STATUS_OK;
}

/* Encodes `frames` of `samples`; knows_end: it goes back and completes its header. */
static struct written encoded(const FLAC__int32 *samples, int frames, int channels,
                              int bits, bool knows_end)
{
    struct written written = {
        memfd_create("test", MFD_CLOEXEC), channels, bits, 0, {0}, samples};
    FLAC__StreamEncoder *encoder = FLAC__stream_encoder_new();
    assert_non_null(encoder);
    FLAC__stream_encoder_set_channels(encoder, (unsigned)channels);
    FLAC__stream_encoder_set_bits_per_sample(encoder, (unsigned)bits);
    FLAC__stream_encoder_set_sample_rate(encoder, 48000);
    FLAC__stream_encoder_set_blocksize(encoder, BLOCK);
    FLAC__stream_encoder_set_streamable_subset(encoder, false);
    assert_int_equal(FLAC__stream_encoder_init_stream(encoder, put, knows_end ? go : NULL,
                                                      knows_end ? tell : NULL, NULL,
                                                      &written),
                     FLAC__STREAM_ENCODER_INIT_STATUS_OK);
    assert_true(
        FLAC__stream_encoder_process_interleaved(encoder, samples, (unsigned)frames));
    assert_true(FLAC__stream_encoder_finish(encoder));
    FLAC__stream_encoder_delete(encoder);
    written.starts[written.blocks] = lseek(written.descriptor, 0, SEEK_END);
    return written;
}

static struct written encoded_noise(int bits)
{
    make_noise(bits);
    return encoded(noise, FRAMES, 2, bits, true);
}

static void spoil(const struct written *written, off_t offset)
{
    unsigned char byte;
    assert_int_equal(pread(written->descriptor, &byte, 1, offset), 1);
    byte ^= 0x10;
    assert_int_equal(pwrite(written->descriptor, &byte, 1, offset), 1);
}

/* What lies from `from` to `to` goes; the rest moves up. */
static void take_out(struct written *written, off_t from, off_t to)
{
    static char rest[1 << 20];
    ssize_t count = pread(written->descriptor, rest, sizeof rest, to);
    assert_true(count >= 0 && count < (ssize_t)sizeof rest);
    assert_int_equal(pwrite(written->descriptor, rest, (size_t)count, from), count);
    assert_int_equal(ftruncate(written->descriptor, from + count), 0);
}

static struct capture *open_good(int descriptor)
{
    struct capture *capture = NULL;
    struct problem problem = {0};
    if (!capture_open(descriptor, &capture, &problem))
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    capture_verify(capture);
    return capture;
}

static double got[(FRAMES + 1) * 2];

static int64_t read_all(struct capture *capture)
{
    int64_t count;
    struct problem problem = {0};
    if (!capture_read(capture, got, FRAMES + 1, &count, &problem))
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    return count;
}

/* `count` frames at `at` are those encoded from `first` on. */
static void assert_frames(const struct written *written, const double *at, int64_t first,
                          int64_t count)
{
    double scale = (double)(1LL << (written->bits - 1));
    for (int64_t i = 0; i < count * written->channels; i++)
        assert_close(at[i], written->samples[first * written->channels + i] / scale, 0);
}

/* All frames are right but those of the gap, which are silent. */
static void assert_right_but(const struct written *written, int64_t gap, int64_t frames)
{
    const double *behind = got + (gap + frames) * written->channels;
    assert_frames(written, got, 0, gap);
    for (int64_t i = gap * written->channels; i < (gap + frames) * written->channels; i++)
        assert_close(got[i], 0, 0);
    assert_frames(written, behind, gap + frames, FRAMES - gap - frames);
}

static const char *warning(const struct capture *capture, const char *code)
{
    int count;
    const struct capture_warning *warnings = capture_warnings(capture, &count);
    for (int i = 0; i < count; i++)
        if (strcmp(warnings[i].code, code) == 0)
            return warnings[i].message;
    return NULL;
}

static void assert_gap(const struct capture *capture, int64_t first_frame, int64_t frames)
{
    int count;
    const struct capture_gap *gaps = capture_gaps(capture, &count);
    assert_int_equal(count, 1);
    assert_int_equal(gaps[0].first_frame, first_frame);
    assert_int_equal(gaps[0].frames, frames);
    char says[100];
    snprintf(says, sizeof says,
             "%lld frames in 1 places are lost, the first at frame %lld ",
             (long long)frames, (long long)first_frame);
    const char *message = warning(capture, "lost_sync");
    assert_non_null(message);
    assert_non_null(strstr(message, says));
}

static void done(struct capture *capture, const struct written *written)
{
    capture_close(capture);
    close(written->descriptor);
}

/* 12 bits and 20 bits are taken for PCM of the next whole bytes. */
static void every_width_is_read_and_verified(void **state)
{
    (void)state;
    static const struct {
        int bits;
        const char *encoding;
    } cases[] = {
        {12, "pcm_16"}, {16, "pcm_16"}, {20, "pcm_24"}, {24, "pcm_24"}, {32, "pcm_32"}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct written written = encoded_noise(cases[i].bits);
        struct capture *capture = open_good(written.descriptor);
        int count;
        assert_string_equal(capture_format(capture)->encoding, cases[i].encoding);
        assert_int_equal(capture_md5(capture), CAPTURE_MD5_UNREAD);
        assert_int_equal(read_all(capture), FRAMES);
        assert_frames(&written, got, 0, FRAMES);
        assert_int_equal(capture_md5(capture), CAPTURE_MD5_VERIFIED);
        assert_int_equal(read_all(capture), 0);
        capture_warnings(capture, &count);
        assert_int_equal(count, 0);
        assert_true(capture_seek(capture, 31, NULL));
        assert_int_equal(read_all(capture), FRAMES - 31);
        assert_frames(&written, got, 31, FRAMES - 31);
        done(capture, &written);
    }
}

/* The MD5 stands in the last 16 bytes of STREAMINFO, from byte 26 on (RFC 9639). */
static void wrong_sum_is_told(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    spoil(&written, 30);
    struct capture *capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    assert_frames(&written, got, 0, FRAMES);
    assert_int_equal(capture_md5(capture), CAPTURE_MD5_MISMATCH);
    assert_non_null(warning(capture, "md5_mismatch"));
    done(capture, &written);
}

static void absent_sum_and_unread_sum_are_told(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    struct capture *capture = open_good(written.descriptor);
    assert_true(capture_seek(capture, 5000, NULL));
    assert_int_equal(read_all(capture), FRAMES - 5000);
    assert_int_equal(capture_md5(capture), CAPTURE_MD5_UNREAD);
    capture_close(capture);
    assert_int_equal(pwrite(written.descriptor, (char[16]){0}, 16, 26), 16);
    capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    assert_int_equal(capture_md5(capture), CAPTURE_MD5_ABSENT);
    assert_null(warning(capture, "md5_mismatch"));
    done(capture, &written);
}

/* A wrong checksum costs that block and no other; each place within it does. */
static void spoilt_block_becomes_silence(void **state)
{
    (void)state;
    for (int k = 0; k < 12; k++) {
        struct written written = encoded_noise(k % 2 ? 24 : 16);
        off_t length = written.starts[21] - written.starts[20];
        spoil(&written, written.starts[20] + length * k / 12);
        struct capture *capture = open_good(written.descriptor);
        assert_int_equal(capture_format(capture)->frames, FRAMES);
        assert_int_equal(read_all(capture), FRAMES);
        assert_gap(capture, 20 * BLOCK, BLOCK);
        assert_right_but(&written, 20 * BLOCK, BLOCK);
        assert_int_equal(capture_md5(capture), CAPTURE_MD5_MISMATCH);
        assert_null(warning(capture, "truncated"));
        done(capture, &written);
    }
}

/* Whole blocks, and parts of them, are gone from the file: frame numbers stay right. */
static void missing_bytes_become_silence(void **state)
{
    (void)state;
    for (int part = 0; part < 3; part++) {
        struct written written = encoded_noise(24);
        take_out(&written, written.starts[10] + 77 * part,
                 written.starts[17] + 99 * part);
        struct capture *capture = open_good(written.descriptor);
        assert_int_equal(read_all(capture), FRAMES);
        int64_t lost = (part > 0 ? 8 : 7) * BLOCK;
        assert_gap(capture, 10 * BLOCK, lost);
        assert_right_but(&written, 10 * BLOCK, lost);
        done(capture, &written);
    }
}

/* Blocks 3 and 4 stand a second time where block 10 was. */
static void blocks_that_come_again_are_passed_over(void **state)
{
    (void)state;
    static char again[1 << 16], rest[1 << 20];
    struct written written = encoded_noise(16);
    size_t bytes = (size_t)(written.starts[5] - written.starts[3]);
    assert_true(bytes <= sizeof again);
    assert_int_equal(pread(written.descriptor, again, bytes, written.starts[3]), bytes);
    ssize_t count = pread(written.descriptor, rest, sizeof rest, written.starts[11]);
    assert_true(count > 0 && count < (ssize_t)sizeof rest);
    off_t behind = written.starts[10] + (off_t)bytes;
    assert_int_equal(pwrite(written.descriptor, again, bytes, written.starts[10]), bytes);
    assert_int_equal(pwrite(written.descriptor, rest, (size_t)count, behind), count);
    struct capture *capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    assert_gap(capture, 10 * BLOCK, BLOCK);
    assert_right_but(&written, 10 * BLOCK, BLOCK);
    done(capture, &written);
}

static void spoilt_first_and_last_blocks_become_silence(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    spoil(&written, written.starts[0] + 200);
    struct capture *capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    assert_gap(capture, 0, BLOCK);
    assert_right_but(&written, 0, BLOCK);
    done(capture, &written);
    written = encoded_noise(16);
    int last = FRAMES / BLOCK;
    spoil(&written, written.starts[last] + 200);
    capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    assert_gap(capture, last * BLOCK, FRAMES - last * BLOCK);
    assert_right_but(&written, last * BLOCK, FRAMES - last * BLOCK);
    assert_null(warning(capture, "truncated"));
    done(capture, &written);
}

/* What is cut off is not made up. */
static void cut_off_file_ends_where_it_ends(void **state)
{
    (void)state;
    for (int within = 0; within < 2; within++) {
        struct written written = encoded_noise(16);
        int count;
        assert_int_equal(ftruncate(written.descriptor, written.starts[30] + 500 * within),
                         0);
        struct capture *capture = open_good(written.descriptor);
        assert_int_equal(capture_format(capture)->frames, FRAMES);
        assert_int_equal(read_all(capture), 30 * BLOCK);
        assert_frames(&written, got, 0, 30 * BLOCK);
        assert_int_equal(capture_format(capture)->frames, 30 * BLOCK);
        const char *message = warning(capture, "truncated");
        assert_non_null(message);
        assert_non_null(strstr(message, "declares 60000 frames (1.25 s)"));
        assert_non_null(strstr(message, "only 30720 (0.64 s)"));
        assert_null(warning(capture, "lost_sync"));
        capture_gaps(capture, &count);
        assert_int_equal(count, 0);
        struct problem problem = {0};
        assert_false(capture_seek(capture, 30 * BLOCK + 1, &problem));
        assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
        done(capture, &written);
    }
}

static void seeking_beyond_a_cut_is_refused(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    assert_int_equal(ftruncate(written.descriptor, written.starts[30]), 0);
    struct capture *capture = open_good(written.descriptor);
    struct problem problem = {0};
    assert_false(capture_seek(capture, 40 * BLOCK, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_non_null(strstr(problem.detail, "30720 frames"));
    assert_true(capture_seek(capture, 29 * BLOCK, NULL));
    assert_int_equal(read_all(capture), BLOCK);
    assert_frames(&written, got, 29 * BLOCK, BLOCK);
    done(capture, &written);
}

/* Whether it is reached by reading or by seeking, and in whatever order. */
static void seeking_in_damage_gives_what_reading_gives(void **state)
{
    (void)state;
    static double whole[FRAMES * 2];
    struct written written = encoded_noise(16);
    struct support_random random = support_random_seed(4);
    spoil(&written, written.starts[8] + 333);
    take_out(&written, written.starts[30] + 50, written.starts[33]);
    struct capture *capture = open_good(written.descriptor);
    assert_int_equal(read_all(capture), FRAMES);
    memcpy(whole, got, sizeof whole);
    capture_close(capture);
    capture = open_good(written.descriptor);
    for (int i = 0; i < 200; i++) {
        int64_t frame = (int64_t)(support_uniform(&random) * FRAMES), count;
        int64_t left = FRAMES - frame, most = left < 3000 ? left : 3000;
        if (i % 3 == 0)
            frame = (7 + i % 30) * BLOCK;
        assert_true(capture_seek(capture, frame, NULL));
        assert_true(capture_read(capture, got, most, &count, NULL));
        assert_int_equal(count, most);
        if (memcmp(got, whole + 2 * frame, sizeof *got * 2 * (size_t)most) != 0)
            fail_msg("seed 4, step %d: from frame %lld on", i, (long long)frame);
    }
    int count;
    const struct capture_gap *gaps = capture_gaps(capture, &count);
    for (int i = 0; i < count; i++)
        assert_true((gaps[i].first_frame == 8 * BLOCK && gaps[i].frames == BLOCK) ||
                    (gaps[i].first_frame >= 30 * BLOCK &&
                     gaps[i].first_frame + gaps[i].frames <= 33 * BLOCK));
    done(capture, &written);
}

/* An encoder that writes to a pipe cannot go back; a player has put its tag behind. */
static void unknown_length_comes_to_light(void **state)
{
    (void)state;
    static const char tag[128] = "TAGHarbour Street Library";
    for (int with_tag = 0; with_tag < 2; with_tag++) {
        make_noise(16);
        struct written written = encoded(noise, FRAMES, 2, 16, false);
        if (with_tag)
            assert_int_equal(write(written.descriptor, tag, sizeof tag), sizeof tag);
        struct capture *capture = open_good(written.descriptor);
        assert_int_equal(capture_format(capture)->frames, -1);
        assert_non_null(warning(capture, "length_from_file"));
        assert_int_equal(read_all(capture), FRAMES);
        assert_frames(&written, got, 0, FRAMES);
        assert_int_equal(capture_format(capture)->frames, FRAMES);
        assert_null(warning(capture, "lost_sync"));
        assert_int_equal(capture_md5(capture), CAPTURE_MD5_ABSENT);
        done(capture, &written);
    }
}

/* The head of a stereo file of 16 bits, and frames of one channel of 24. */
static void change_on_the_way_is_refused(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    struct written other = encoded(noise, FRAMES, 1, 16, true);
    static char bytes[1 << 20];
    off_t from = other.starts[20], length = other.starts[other.blocks] - from;
    assert_int_equal(pread(other.descriptor, bytes, (size_t)length, from), length);
    assert_int_equal(
        pwrite(written.descriptor, bytes, (size_t)length, written.starts[20]), length);
    struct capture *capture = open_good(written.descriptor);
    int64_t count;
    struct problem problem = {0};
    assert_false(capture_read(capture, got, FRAMES, &count, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
    assert_non_null(strstr(problem.detail, "At frame 20480"));
    assert_non_null(strstr(problem.detail, "2 channels of 16 bits at 48000 Hz to 1 "));
    assert_true(capture_seek(capture, 19 * BLOCK, NULL));
    assert_true(capture_read(capture, got, BLOCK, &count, NULL));
    assert_frames(&written, got, 19 * BLOCK, BLOCK);
    close(other.descriptor);
    done(capture, &written);
}

static void nothing_decodable_is_refused(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    static const char zeros[1 << 18];
    off_t length = written.starts[written.blocks] - written.starts[0];
    for (off_t at = 0; at < length; at += (off_t)sizeof zeros)
        assert_true(
            pwrite(written.descriptor, zeros,
                   (size_t)(length - at < (off_t)sizeof zeros ? length - at
                                                              : (off_t)sizeof zeros),
                   written.starts[0] + at) > 0);
    struct capture *capture = open_good(written.descriptor);
    int64_t count;
    struct problem problem = {0};
    assert_false(capture_read(capture, got, 10, &count, &problem));
    assert_int_equal(problem.kind, PROBLEM_NOT_MEASURABLE);
    assert_non_null(strstr(problem.detail, "Not one frame"));
    done(capture, &written);
}

static void file_that_ends_in_its_metadata_holds_no_audio(void **state)
{
    (void)state;
    struct written written = encoded_noise(16);
    for (off_t cut = 0; cut < 2; cut++) {
        assert_int_equal(ftruncate(written.descriptor, written.starts[0] - 30 * cut), 0);
        struct capture *capture = NULL;
        struct problem problem = {0};
        assert_false(capture_open(written.descriptor, &capture, &problem));
        assert_int_equal(problem.kind, PROBLEM_NO_AUDIO);
    }
    close(written.descriptor);
}

/* A few bytes that claim 4 hours cannot make silence of them: the gap is limited by what
 * the lost bytes could hold. */
static void few_bytes_make_no_hours(void **state)
{
    (void)state;
    make_noise(16);
    struct written written = encoded(noise, 2 * BLOCK, 2, 16, true);
    unsigned char total[] = {0, 0, 0, 0};
    for (int i = 0; i < 4; i++)
        total[i] = (unsigned char)(600000000u >> (24 - 8 * i));
    assert_int_equal(pwrite(written.descriptor, total, 4, 22), 4);
    spoil(&written, written.starts[1] + 100);
    assert_int_equal(ftruncate(written.descriptor, written.starts[2]), 0);
    struct capture *capture = open_good(written.descriptor);
    assert_int_equal(capture_format(capture)->frames, 600000000);
    int64_t all = 0, count;
    do {
        assert_true(capture_read(capture, got, FRAMES, &count, NULL));
        all += count;
    } while (count > 0);
    off_t lost_bytes = written.starts[2] - written.starts[1];
    assert_int_equal(all, BLOCK + lost_bytes / 11 * 65535);
    assert_non_null(warning(capture, "truncated"));
    done(capture, &written);
}

/* 4 h at 8 kHz are 115200000 frames (CAPTURE_MAX_DURATION_S); here is a second more, of
 * silence, and no length is told. */
static void more_than_four_hours_are_refused_where_they_end(void **state)
{
    (void)state;
    static const FLAC__int32 second[8000];
    struct written written = {.descriptor = memfd_create("test", MFD_CLOEXEC)};
    FLAC__StreamEncoder *encoder = FLAC__stream_encoder_new();
    assert_non_null(encoder);
    FLAC__stream_encoder_set_compression_level(encoder, 0);
    FLAC__stream_encoder_set_channels(encoder, 1);
    FLAC__stream_encoder_set_bits_per_sample(encoder, 16);
    FLAC__stream_encoder_set_sample_rate(encoder, 8000);
    FLAC__stream_encoder_set_blocksize(encoder, 65535);
    FLAC__stream_encoder_set_streamable_subset(encoder, false);
    assert_int_equal(FLAC__stream_encoder_init_stream(encoder, put_unplaced, NULL, NULL,
                                                      NULL, &written),
                     FLAC__STREAM_ENCODER_INIT_STATUS_OK);
    for (int i = 0; i < CAPTURE_MAX_DURATION_S + 1; i++)
        assert_true(FLAC__stream_encoder_process_interleaved(encoder, second, 8000));
    assert_true(FLAC__stream_encoder_finish(encoder));
    FLAC__stream_encoder_delete(encoder);
    struct capture *capture = open_good(written.descriptor);
    struct problem problem = {0};
    int64_t all = 0;
    int count = 0;
    while (capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &count, &problem) && count > 0)
        all += count;
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, "frames");
    assert_non_null(strstr(problem.detail, "115200000 frames"));
    assert_between((double)all, 115200000 - 65535 - CAPTURE_BLOCK_FRAMES, 115200000);
    done(capture, &written);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_width_is_read_and_verified),
        cmocka_unit_test(wrong_sum_is_told),
        cmocka_unit_test(absent_sum_and_unread_sum_are_told),
        cmocka_unit_test(spoilt_block_becomes_silence),
        cmocka_unit_test(missing_bytes_become_silence),
        cmocka_unit_test(blocks_that_come_again_are_passed_over),
        cmocka_unit_test(spoilt_first_and_last_blocks_become_silence),
        cmocka_unit_test(cut_off_file_ends_where_it_ends),
        cmocka_unit_test(seeking_beyond_a_cut_is_refused),
        cmocka_unit_test(seeking_in_damage_gives_what_reading_gives),
        cmocka_unit_test(unknown_length_comes_to_light),
        cmocka_unit_test(change_on_the_way_is_refused),
        cmocka_unit_test(nothing_decodable_is_refused),
        cmocka_unit_test(file_that_ends_in_its_metadata_holds_no_audio),
        cmocka_unit_test(few_bytes_make_no_hours),
        cmocka_unit_test(more_than_four_hours_are_refused_where_they_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
