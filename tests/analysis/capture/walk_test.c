/* A table of odd files and what becomes of them. What is right comes from the formats'
 * own rules as walk.h states them; the samples are those that were written. */
#include "analysis/capture/capture.h"

#include <stdio.h>

#include "tests/analysis/capture/crafted.h"

struct row {
    const char *name;
    struct crafted file;
    enum problem_kind refused; /* PROBLEM_NONE: it is read */
    const char *field, *says;  /* of the problem; else `says` of the warnings */
    const char *container, *encoding;
    const char *warnings; /* their codes; NULL: none */
    int64_t frames;       /* 0: CRAFTED_FRAMES */
};

#define READ(form, coding) .container = form, .encoding = coding
#define REFUSED(kind, about, words) .refused = kind, .field = about, .says = words
#define NAMED(words) REFUSED(PROBLEM_UNSUPPORTED_FORMAT, "encoding", words)

static const struct row rows[] = {
    /* Encodings of WAV. */
    {"wav of 16 bits", {.chunks = "FD"}, READ("wav", "pcm_16")},
    {"wav of 24 bits", {.chunks = "FD", .bits = 24}, READ("wav", "pcm_24")},
    {"wav of 32 bits", {.chunks = "FD", .bits = 32}, READ("wav", "pcm_32")},
    {"wav of 12 bits in 2 bytes", {.chunks = "FD", .bits = 12}, READ("wav", "pcm_16")},
    {"wav of 20 bits in 3 bytes", {.chunks = "FD", .bits = 20}, READ("wav", "pcm_24")},
    {"wav of 24 bits in 4 bytes, plain",
     {.chunks = "FD", .bits = 24, .stored = 4},
     READ("wav", "pcm_32")},
    {"extensible of 20 bits in 24",
     {.chunks = "FD", .is_extensible = true, .bits = 24, .valid = 20},
     READ("wav", "pcm_24")},
    {"extensible of 24 bits in 32",
     {.chunks = "FD", .is_extensible = true, .bits = 32, .valid = 24},
     READ("wav", "pcm_32")},
    {"extensible of floats",
     {.chunks = "FD", .is_extensible = true, .is_float = true, .bits = 32, .valid = 32},
     READ("wav", "float_32")},
    {"extensible that tells no valid bits",
     {.chunks = "FD", .is_extensible = true, .bits = 24},
     READ("wav", "pcm_24")},
    {"extensible without its extension",
     {.chunks = "KD", .is_extensible = true, .bits = 24},
     NAMED("40 bytes but has 20")},
    {"wav of floats of 64 bits",
     {.chunks = "FD", .is_float = true, .bits = 64},
     READ("wav", "float_64")},
    {"wav of one channel at 768 kHz",
     {.chunks = "FD", .channels = 1, .rate_hz = 768000},
     READ("wav", "pcm_16")},
    {"wav of 16 channels",
     {.chunks = "FD", .channels = 16, .bits = 24},
     READ("wav", "pcm_24")},
    {"fmt with an extension of four bytes", {.chunks = "KD"}, READ("wav", "pcm_16")},
    /* What is refused by its name. */
    {"big-endian wav",
     {.chunks = "FD", .magic = "RIFX"},
     REFUSED(PROBLEM_UNSUPPORTED_FORMAT, "", "RIFX")},
    {"wav of 8 bits", {.chunks = "FD", .bits = 8}, NAMED("8 bits")},
    {"wav of 5 bits", {.chunks = "FD", .bits = 5}, NAMED("5 bits")},
    {"wav of 1 bit", {.chunks = "FD", .bits = 1, .stored = 2}, NAMED("1 bits")},
    {"wav of 36 bits", {.chunks = "FD", .bits = 36}, NAMED("36 bits")},
    {"wav of 64-bit integers", {.chunks = "FD", .bits = 64}, NAMED("64 bits")},
    {"wav of 16-bit floats", {.chunks = "FD", .is_float = true}, NAMED("16 bits")},
    {"wav of mu-law", {.chunks = "FD", .tag = 7, .bits = 8}, NAMED("µ-law")},
    {"wav of a-law", {.chunks = "FD", .tag = 6, .bits = 8}, NAMED("A-law")},
    {"wav of adpcm", {.chunks = "FD", .tag = 2, .bits = 4}, NAMED("ADPCM")},
    {"wav of ima adpcm", {.chunks = "FD", .tag = 17, .bits = 4}, NAMED("IMA ADPCM")},
    {"wav of mp3", {.chunks = "FD", .tag = 0x55}, NAMED("MP3")},
    {"wav of an unknown tag", {.chunks = "FD", .tag = 0x7777}, NAMED("30583")},
    {"extensible of mu-law",
     {.chunks = "FD", .is_extensible = true, .tag = 7, .bits = 8},
     NAMED("µ-law")},
    /* Frames that do not fit their bits. */
    {"block align of one channel for two",
     {.chunks = "FD", .align = 2},
     NAMED("frames of 4 bytes, but the header says 2")},
    {"block align of two channels for one",
     {.chunks = "FD", .channels = 1, .align = 4},
     NAMED("frames of 2 bytes, but the header says 4")},
    {"block align of 16 bits in 3 bytes",
     {.chunks = "FD", .stored = 3},
     NAMED("frames of 4 bytes, but the header says 6")},
    {"17 channels",
     {.chunks = "FD", .channels = 17},
     REFUSED(PROBLEM_OUT_OF_RANGE, "channels", "17")},
    {"7999 hertz",
     {.chunks = "FD", .rate_hz = 7999},
     REFUSED(PROBLEM_OUT_OF_RANGE, "sample_rate_hz", "7999")},
    /* Chunks around the audio. */
    {"metadata before the audio", {.chunks = "LBXFJD"}, READ("wav", "pcm_16")},
    {"metadata after the audio", {.chunks = "FDLXBI"}, READ("wav", "pcm_16")},
    {"unknown chunks all over", {.chunks = "QFQDQ"}, READ("wav", "pcm_16")},
    {"the audio before its format", {.chunks = "DLF"}, READ("wav", "pcm_16")},
    {"an odd chunk with its pad", {.chunks = "FpDp"}, READ("wav", "pcm_16")},
    {"an odd chunk with a pad that is not zero",
     {.chunks = "nFnD"},
     READ("wav", "pcm_16")},
    {"an odd chunk without its pad before the format",
     {.chunks = "uFD"},
     READ("wav", "pcm_16"),
     .warnings = "riff_pad_missing",
     .says = "LIST chunk at byte 12 has an odd size, 7 bytes"},
    {"an odd chunk without its pad before the audio",
     {.chunks = "FuD"},
     READ("wav", "pcm_16"),
     .warnings = "riff_pad_missing",
     .says = "LIST chunk at byte 36"},
    {"odd chunks without pads after the audio",
     {.chunks = "FDuuL"},
     READ("wav", "pcm_16"),
     .warnings = "riff_pad_missing"},
    {"odd audio with its pad at the end",
     {.chunks = "FD1", .channels = 1, .bits = 24, .extra = 1},
     READ("wav", "pcm_24"),
     .warnings = "trailing_bytes"},
    {"odd audio whose pad is missing at the very end",
     {.chunks = "FD", .channels = 1, .extra = 1},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes",
     .says = "last 1 bytes of the audio make no whole frame of 2"},
    {"two formats that are the same", {.chunks = "FFD"}, READ("wav", "pcm_16")},
    {"two formats that differ", {.chunks = "FGD"}, NAMED("2 and 4 channels")},
    {"a differing format after the audio", {.chunks = "FDG"}, NAMED("2 and 4 channels")},
    {"two audio chunks",
     {.chunks = "FDLE"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes",
     .says = "second data chunk of 40 bytes at byte 460"},
    {"many audio chunks",
     {.chunks = "FDEEEEEEEEEE"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes"},
    {"zeros after the audio",
     {.chunks = "FDz"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes",
     .says = "last 10 bytes of the file, from byte 444"},
    {"text after the audio",
     {.chunks = "FDLt"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes"},
    {"a single byte after the audio",
     {.chunks = "FD1"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes"},
    {"another file appended",
     {.chunks = "FDR"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes"},
    {"metadata cut off after the audio",
     {.chunks = "FDc"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes",
     .says = "last 18 bytes"},
    {"2000 chunks after the audio",
     {.chunks = "FDm"},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes"},
    {"2000 chunks before the audio",
     {.chunks = "FmD"},
     REFUSED(PROBLEM_NOT_AUDIO, "", "holds the audio")},
    {"a chunk beyond the end before the audio",
     {.chunks = "FhD"},
     REFUSED(PROBLEM_NOT_AUDIO, "", "holds the audio")},
    {"no audio chunk",
     {.chunks = "FL"},
     REFUSED(PROBLEM_NOT_AUDIO, "", "holds the audio")},
    {"no format chunk",
     {.chunks = "DL"},
     REFUSED(PROBLEM_NOT_AUDIO, "", "describes the audio")},
    {"no chunk at all", {.chunks = "z"}, REFUSED(PROBLEM_NOT_AUDIO, "", "describes")},
    /* Lengths that lie. */
    {"a part of a frame at the end",
     {.chunks = "FDL", .extra = 2},
     READ("wav", "pcm_16"),
     .warnings = "trailing_bytes",
     .says = "last 2 bytes of the audio make no whole frame of 4"},
    {"cut off",
     {.chunks = "FD", .cut = 200},
     READ("wav", "pcm_16"),
     .frames = 50,
     .warnings = "truncated",
     .says = "100 frames (0.00208333 s, 400 bytes), but the file holds only 50 "
             "(0.00104167 s, 200 bytes)"},
    {"cut off within a frame",
     {.chunks = "FD", .cut = 201},
     READ("wav", "pcm_16"),
     .frames = 49,
     .warnings = "truncated"},
    {"cut off before the first frame",
     {.chunks = "FD", .cut = 400},
     REFUSED(PROBLEM_NO_AUDIO, "", "no frame")},
    {"size 0",
     {.chunks = "FD", .lies = true, .declared = 0},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file",
     .says = "100 frames"},
    {"size 0 and metadata at the end",
     {.chunks = "FDLXI", .lies = true, .declared = 0},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size 0 and nothing but metadata",
     {.chunks = "F0L"},
     REFUSED(PROBLEM_NO_AUDIO, "", "no frame")},
    {"size 0xFFFFFFFF",
     {.chunks = "FD", .lies = true, .declared = 0xFFFFFFFF},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size 0xFFFFFFFF and metadata at the end",
     {.chunks = "FDBX", .lies = true, .declared = 0xFFFFFFFF},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size 0xFFFFFFDB, as 2^32 − 1 less a header",
     {.chunks = "FD", .lies = true, .declared = 0xFFFFFFDB},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size 0x7FFFF000",
     {.chunks = "FD", .lies = true, .declared = 0x7FFFF000},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size 0x7FFFFFFF",
     {.chunks = "FD", .lies = true, .declared = 0x7FFFFFFF},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file"},
    {"size just below the placeholders",
     {.chunks = "FD", .lies = true, .declared = 0x7FFFE000},
     READ("wav", "pcm_16"),
     .warnings = "truncated"},
    {"size 0xFFFFFFFF and a part of a frame",
     {.chunks = "FD", .lies = true, .declared = 0xFFFFFFFF, .extra = 3},
     READ("wav", "pcm_16"),
     .warnings = "length_from_file trailing_bytes"},
    {"size modulo 2^32",
     {.chunks = "FD", .rate_hz = 96000, .hole = 1LL << 32},
     READ("wav", "pcm_16"),
     .frames = CRAFTED_FRAMES + (1LL << 30),
     .warnings = "size_wrapped",
     .says = "declares 400 bytes of audio, but the file holds 4294967696"},
    {"size modulo 2^32 and metadata at the end",
     {.chunks = "FDLBu", .hole = 1LL << 32, .bits = 32},
     READ("wav", "pcm_32"),
     .frames = CRAFTED_FRAMES + (1LL << 29),
     .warnings = "size_wrapped"},
    {"size modulo 2^32, twice around",
     {.chunks = "FDX", .hole = 1LL << 33, .bits = 32, .channels = 16},
     READ("wav", "pcm_32"),
     .frames = CRAFTED_FRAMES + (1LL << 27),
     .warnings = "size_wrapped"},
    {"more than 4 hours declared",
     {.chunks = "FD", .lies = true, .declared = 0xF0000000},
     REFUSED(PROBLEM_OUT_OF_RANGE, "frames", "5.8 h")},
    /* RF64 and BW64. */
    {"rf64",
     {.chunks = "8FD", .magic = "RF64", .lies = true, .declared = 0xFFFFFFFF},
     READ("rf64", "pcm_16")},
    {"bw64 with metadata",
     {.chunks = "8FDXL",
      .magic = "BW64",
      .bits = 24,
      .lies = true,
      .declared = 0xFFFFFFFF},
     READ("bw64", "pcm_24")},
    {"rf64 of more than 4 GiB",
     {.chunks = "8FDL",
      .magic = "RF64",
      .lies = true,
      .declared = 0xFFFFFFFF,
      .ds64 = (1ULL << 32) + 400,
      .rate_hz = 96000,
      .hole = 1LL << 32},
     READ("rf64", "pcm_16"),
     .frames = CRAFTED_FRAMES + (1LL << 30)},
    {"rf64 that tells its size in 32 bits",
     {.chunks = "8FDL", .magic = "RF64", .ds64 = 1},
     READ("rf64", "pcm_16")},
    {"rf64 without ds64",
     {.chunks = "FDL", .magic = "RF64", .lies = true, .declared = 0xFFFFFFFF},
     READ("rf64", "pcm_16"),
     .warnings = "length_from_file"},
    {"rf64 cut off",
     {.chunks = "8FD", .magic = "RF64", .lies = true, .declared = 0xFFFFFFFF, .cut = 4},
     READ("rf64", "pcm_16"),
     .frames = 99,
     .warnings = "truncated"},
    {"rf64 of 2^63 bytes",
     {.chunks = "8FD",
      .magic = "RF64",
      .lies = true,
      .declared = 0xFFFFFFFF,
      .ds64 = 1ULL << 63},
     READ("rf64", "pcm_16"),
     .warnings = "length_from_file"},
    {"rf64 of 2^63 − 1 bytes",
     {.chunks = "8FD",
      .magic = "RF64",
      .lies = true,
      .declared = 0xFFFFFFFF,
      .ds64 = INT64_MAX},
     REFUSED(PROBLEM_OUT_OF_RANGE, "frames", "2305843009213693951 frames")},
    /* W64. */
    {"w64 with metadata",
     {CRAFTED_W64, .chunks = "LFXDL", .bits = 24, .channels = 1},
     READ("w64", "pcm_24")},
    {"w64 of 2^64 − 1 bytes",
     {CRAFTED_W64, .chunks = "FD", .lies = true, .declared = UINT64_MAX - 24},
     READ("w64", "pcm_16"),
     .warnings = "length_from_file"},
    {"w64 whose size wraps to nothing",
     {CRAFTED_W64, .chunks = "FD", .lies = true, .declared = (uint64_t)-24},
     READ("w64", "pcm_16"),
     .warnings = "length_from_file"},
    {"w64 cut off",
     {CRAFTED_W64, .chunks = "FD", .cut = 100},
     READ("w64", "pcm_16"),
     .frames = 75,
     .warnings = "truncated"},
    /* AIFF. */
    {"aiff of 16 bits",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true},
     READ("aiff", "pcm_16")},
    {"aiff of 20 bits",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .bits = 20},
     READ("aiff", "pcm_24")},
    {"aiff, sound before its format",
     {CRAFTED_AIFF, .chunks = "DF", .is_big = true, .bits = 24},
     READ("aiff", "pcm_24")},
    {"aiff with an offset",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .ssnd_offset = 6},
     READ("aiff", "pcm_16")},
    {"aiff-c sowt",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "sowt"},
     READ("aiff", "pcm_16")},
    {"aiff-c 42ni",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "42ni", .bits = 24},
     READ("aiff", "pcm_24")},
    {"aiff-c in24",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "in24", .bits = 24, .is_big = true},
     READ("aiff", "pcm_24")},
    {"aiff-c 23ni",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "23ni", .bits = 32},
     READ("aiff", "pcm_32")},
    {"aiff-c fl32",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "fl32", .bits = 32, .is_float = true,
      .is_big = true},
     READ("aiff", "float_32")},
    {"aiff-c FL64",
     {CRAFTED_AIFF, .chunks = "VFD", .type = "FL64", .bits = 64, .is_float = true,
      .is_big = true},
     READ("aiff", "float_64")},
    {"aiff-c of mu-law", {CRAFTED_AIFF, .chunks = "VFD", .type = "ulaw"}, NAMED("ulaw")},
    {"aiff of 8 bits", {CRAFTED_AIFF, .chunks = "FD", .bits = 8}, NAMED("8 bits")},
    {"aiff cut off",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .cut = 40},
     READ("aiff", "pcm_16"),
     .frames = 90,
     .warnings = "truncated"},
    {"aiff whose sound has no size",
     {CRAFTED_AIFF, .chunks = "FDL", .is_big = true, .lies = true},
     READ("aiff", "pcm_16")},
    {"aiff that tells no length at all",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .lies = true, .comm = 1},
     READ("aiff", "pcm_16"),
     .warnings = "length_from_file"},
    {"aiff of fewer frames than sound",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .comm = 60},
     READ("aiff", "pcm_16"),
     .frames = 60,
     .warnings = "trailing_bytes",
     .says = "COMM declares 60 frames, but the sound chunk has room for 100"},
    {"aiff of more frames than sound",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .comm = 160},
     READ("aiff", "pcm_16"),
     .warnings = "truncated",
     .says = "declares 160 frames"},
    {"aiff of more than 4 GiB",
     {CRAFTED_AIFF, .chunks = "FD", .is_big = true, .rate_hz = 96000, .hole = 1LL << 32},
     READ("aiff", "pcm_16"),
     .frames = CRAFTED_FRAMES + (1LL << 30),
     .warnings = "size_wrapped"},
    {"aiff without its pad",
     {CRAFTED_AIFF, .chunks = "FuD", .is_big = true},
     READ("aiff", "pcm_16"),
     .warnings = "riff_pad_missing"},
    /* CAF. */
    {"caf, little-endian",
     {CRAFTED_CAF, .chunks = "FD", .bits = 24},
     READ("caf", "pcm_24")},
    {"caf, big-endian floats",
     {CRAFTED_CAF, .chunks = "FuD", .bits = 32, .is_float = true, .is_big = true},
     READ("caf", "float_32")},
    {"caf that runs to the end of the file",
     {CRAFTED_CAF, .chunks = "FD", .lies = true, .declared = UINT64_MAX},
     READ("caf", "pcm_16"),
     .warnings = "length_from_file"},
    {"caf cut off",
     {CRAFTED_CAF, .chunks = "FD", .cut = 4},
     READ("caf", "pcm_16"),
     .frames = 99,
     .warnings = "truncated"},
    {"caf of alac", {CRAFTED_CAF, .chunks = "FD", .type = "alac"}, NAMED("ALAC")},
    {"caf of 24 bits in 4 bytes",
     {CRAFTED_CAF, .chunks = "FD", .bits = 24, .align = 8},
     NAMED("packets of 8 bytes")},
    {"caf at 44100.5 Hz",
     {CRAFTED_CAF, .chunks = "FD", .rate_hz = 44100.5},
     REFUSED(PROBLEM_OUT_OF_RANGE, "sample_rate_hz", "44100.5")},
    {"caf of infinite rate",
     {CRAFTED_CAF, .chunks = "FD", .rate_hz = 1e308 * 10},
     REFUSED(PROBLEM_OUT_OF_RANGE, "sample_rate_hz", "inf")},
};
enum { ROWS = sizeof rows / sizeof rows[0] };

/* Their codes, and that the first of them says what it should. */
static void assert_warnings(const struct row *row, const struct capture *capture)
{
    int count;
    char codes[200] = "";
    const struct capture_warning *warnings = capture_warnings(capture, &count);
    for (int i = 0; i < count; i++) {
        strcat(codes, i > 0 ? " " : "");
        strcat(codes, warnings[i].code);
        assert_true(strlen(warnings[i].message) < sizeof warnings[i].message - 1);
    }
    assert_string_equal(codes, row->warnings ? row->warnings : "");
    if (row->says && !strstr(warnings[0].message, row->says))
        fail_msg("%s\ndoes not say: %s", warnings[0].message, row->says);
}

/* `count` frames from `frame` on are those that were written, from sample `n` on. */
static void assert_samples(struct capture *capture, int64_t frame, int64_t count,
                           int64_t n)
{
    static double got[CRAFTED_FRAMES * CAPTURE_MAX_CHANNELS];
    struct problem problem = {0};
    int64_t read;
    assert_true(capture_seek(capture, frame, &problem));
    assert_true(capture_read(capture, got, count, &read, &problem));
    assert_int_equal(read, count);
    for (int64_t i = 0; i < count * capture_format(capture)->channels; i++)
        assert_close(got[i], crafted_sample(n + i), 0);
}

static void assert_read(const struct row *row, int descriptor)
{
    struct capture *capture = NULL;
    struct problem problem = {0};
    if (!capture_open(descriptor, &capture, &problem))
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    const struct capture_format *format = capture_format(capture);
    int64_t frames = row->frames ? row->frames : CRAFTED_FRAMES, count;
    int channels = (int)crafted_channels(&row->file);
    assert_string_equal(format->container, row->container);
    assert_string_equal(format->encoding, row->encoding);
    assert_int_equal(format->channels, channels);
    assert_int_equal(format->sample_rate_hz, (int)crafted_rate_hz(&row->file));
    assert_int_equal(format->frames, frames);
    assert_warnings(row, capture);
    if (row->file.hole == 0) {
        assert_samples(capture, 0, frames, 0);
    } else {
        int64_t half = CRAFTED_FRAMES / 2;
        assert_samples(capture, 0, half, 0);
        assert_samples(capture, frames - half, half, half * channels);
    }
    double more[CAPTURE_MAX_CHANNELS];
    assert_true(capture_read(capture, more, 1, &count, &problem));
    assert_int_equal(count, 0); /* nothing behind the audio is taken for audio */
    capture_close(capture);
}

static void assert_refused(const struct row *row, int descriptor)
{
    struct capture *capture = NULL;
    struct problem problem = {0};
    assert_false(capture_open(descriptor, &capture, &problem));
    assert_null(capture);
    assert_string_equal(problem_code(problem.kind), problem_code(row->refused));
    assert_string_equal(problem.field, row->field);
    if (!strstr(problem.detail, row->says))
        fail_msg("%s\ndoes not say: %s", problem.detail, row->says);
}

static void becomes_what_the_table_says(void **state)
{
    const struct row *row = *state;
    int descriptor = crafted_file(&row->file);
    if (row->refused == PROBLEM_NONE)
        assert_read(row, descriptor);
    else
        assert_refused(row, descriptor);
    close(descriptor);
}

int main(void)
{
    static struct CMUnitTest tests[ROWS];
    for (int i = 0; i < ROWS; i++) {
        const struct row *row = &rows[i];
        tests[i] = (struct CMUnitTest){row->name, becomes_what_the_table_says, NULL, NULL,
                                       (void *)(uintptr_t)row};
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
