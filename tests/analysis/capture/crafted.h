/** Recordings crafted byte by byte, from a string that tells their chunks, so that a
 * table can hold many odd ones. Every sample is a multiple of 2^-7, exact in every
 * encoding. */
#ifndef TESTS_ANALYSIS_CAPTURE_CRAFTED_H
#define TESTS_ANALYSIS_CAPTURE_CRAFTED_H

#include <stdbool.h>

#include "tests/analysis/capture/files.h"

enum crafted_family { CRAFTED_RIFF, CRAFTED_W64, CRAFTED_AIFF, CRAFTED_CAF };

enum { CRAFTED_FRAMES = 100 };

struct crafted {
    enum crafted_family family;
    const char *magic; /* of RIFF: "RIFF", …; of AIFF "AIFF" or "AIFC"; NULL: the first */
    /* One letter a chunk:
     * F the format         G one with twice the channels     K one of 20 bytes
     * D the audio          E more audio, 10 frames           0 audio of 0 bytes
     * 8 ds64
     * L LIST, 8 bytes      B bext   X iXML   I id3   J JUNK of 0 bytes   Q "qqqq"
     * p LIST of 7 bytes and a pad of 0    n with a pad of 'x'    u without a pad
     * c LIST that is cut off: 1000 declared, 10 there       h one of 2^31 + 10^9 bytes
     * m 2000 JUNK of 0 bytes   R a whole WAV file   z 10 zeros   t ten letters   1 a zero
     * V FVER */
    const char *chunks;
    unsigned tag; /* of WAV; 0: PCM, or float */
    bool is_float, is_big, is_extensible;
    const char *type;  /* of AIFF-C, or CAF's format */
    unsigned bits;     /* as declared; 0: 16 */
    unsigned valid;    /* of the extensible form */
    unsigned stored;   /* bytes of a sample; 0: as the bits need */
    unsigned align;    /* bytes of a frame as declared; 0: what fits */
    unsigned channels; /* 0: 2 */
    double rate_hz;    /* 0: 48000 */
    bool lies;         /* the audio's size is not told as it is, but … */
    uint64_t declared; /* … as this */
    uint64_t ds64;     /* the size that ds64 tells; 0: the right one */
    uint32_t comm;     /* frames that COMM tells; 0: the right number; 1: 0 */
    int extra;         /* bytes more of audio: a part of a frame */
    int cut;           /* bytes that the file lacks at its end */
    int64_t hole;      /* zeros in the middle of the audio */
    int ssnd_offset;   /* bytes before the audio in SSND */
};

/** −1 … 1, of the n-th sample, all channels counted. */
static inline double crafted_sample(int64_t n)
{
    return (double)(n * 37 % 255 - 127) / 128;
}

static inline unsigned crafted_channels(const struct crafted *crafted)
{
    return crafted->channels ? crafted->channels : 2;
}

static inline double crafted_rate_hz(const struct crafted *crafted)
{
    return crafted->rate_hz != 0 ? crafted->rate_hz : 48000;
}

static inline unsigned crafted_stored(const struct crafted *crafted)
{
    unsigned bits = crafted->bits ? crafted->bits : 16;
    return crafted->stored ? crafted->stored : (bits + 7) / 8;
}

static inline int64_t crafted_frame_bytes(const struct crafted *crafted)
{
    return (int64_t)crafted_channels(crafted) * crafted_stored(crafted);
}

static inline void crafted_number(struct files_bytes *bytes, bool is_big, uint64_t value,
                                  int count)
{
    if (is_big)
        files_big(bytes, value, count);
    else
        files_little(bytes, value, count);
}

static inline void crafted_head(const struct crafted *crafted, struct files_bytes *bytes,
                                const char *name, uint64_t size)
{
    files_text(bytes, name);
    if (crafted->family == CRAFTED_W64)
        files_text(bytes, "GUIDGUIDGUID");
    if (crafted->family == CRAFTED_W64)
        files_little(bytes, size + 24, 8);
    else if (crafted->family == CRAFTED_CAF)
        files_big(bytes, size, 8);
    else
        crafted_number(bytes, crafted->family == CRAFTED_AIFF, size, 4);
}

static inline void crafted_pad(const struct crafted *crafted, struct files_bytes *bytes)
{
    static const size_t alignments[] = {2, 8, 2, 1};
    while (bytes->count % alignments[crafted->family] != 0)
        bytes->at[bytes->count++] = 0;
}

static inline void crafted_text(const struct crafted *crafted, struct files_bytes *bytes,
                                const char *name, const char *text)
{
    crafted_head(crafted, bytes, name, strlen(text));
    files_text(bytes, text);
    crafted_pad(crafted, bytes);
}

static inline void crafted_samples(const struct crafted *crafted,
                                   struct files_bytes *bytes, int64_t first,
                                   int64_t count)
{
    int stored = (int)crafted_stored(crafted);
    for (int64_t n = first; n < first + count; n++) {
        double value = crafted_sample(n);
        float narrow = (float)value;
        uint64_t pattern = (uint64_t)(int64_t)(value * 0x1p31) << 32 >> (64 - 8 * stored);
        if (crafted->is_float && stored == 4) {
            uint32_t single;
            memcpy(&single, &narrow, 4);
            pattern = single;
        } else if (crafted->is_float) {
            memcpy(&pattern, &value, 8);
        }
        crafted_number(bytes, crafted->is_big, pattern, stored);
    }
}

/* 1.0 · 2^63 · 2^(exponent − 16383 − 63), of whole numbers. */
static inline void crafted_extended(struct files_bytes *bytes, uint64_t value)
{
    unsigned exponent = 16383 + 63;
    while (value && !(value >> 63)) {
        value <<= 1;
        exponent--;
    }
    files_big(bytes, value ? exponent : 0, 2);
    files_big(bytes, value, 8);
}

static inline void crafted_fmt(const struct crafted *crafted, struct files_bytes *bytes,
                               unsigned channels, int size)
{
    struct crafted_fmt_bytes {
        unsigned bits, align, tag;
    } fmt = {crafted->bits ? crafted->bits : 16, crafted->align, crafted->tag};
    if (!fmt.align)
        fmt.align = channels * crafted_stored(crafted);
    if (!fmt.tag)
        fmt.tag = crafted->is_float ? 3 : 1;
    size_t start = bytes->count + (crafted->family == CRAFTED_W64 ? 24 : 8);
    crafted_head(crafted, bytes, "fmt ", (uint64_t)size);
    files_little(bytes, crafted->is_extensible ? 0xFFFE : fmt.tag, 2);
    files_little(bytes, channels, 2);
    files_little(bytes, (uint64_t)crafted_rate_hz(crafted), 4);
    files_little(bytes, 12345, 4); /* bytes a second: nobody's business */
    files_little(bytes, fmt.align, 2);
    files_little(bytes, fmt.bits, 2);
    if (crafted->is_extensible && size == 40) {
        files_little(bytes, 22, 2);
        files_little(bytes, crafted->valid, 2);
        files_little(bytes, 3, 4);
        files_little(bytes, fmt.tag, 2);
        memcpy(bytes->at + bytes->count, "\0\0\0\0\x10\0\x80\0\0\xAA\0\x38\x9B\x71", 14);
    }
    bytes->count = start + (size_t)size;
    crafted_pad(crafted, bytes);
}

static inline void crafted_comm(const struct crafted *crafted, struct files_bytes *bytes,
                                unsigned channels, int64_t frames)
{
    bool is_plain = !crafted->type;
    crafted_head(crafted, bytes, "COMM", is_plain ? 18 : 24);
    files_big(bytes, channels, 2);
    files_big(bytes,
              crafted->comm == 0   ? (uint64_t)frames
              : crafted->comm == 1 ? 0
                                   : crafted->comm,
              4);
    files_big(bytes, crafted->bits ? crafted->bits : 16, 2);
    crafted_extended(bytes, (uint64_t)crafted_rate_hz(crafted));
    if (!is_plain) {
        files_text(bytes, crafted->type);
        bytes->count += 2; /* an empty name */
    }
}

static inline void crafted_desc(const struct crafted *crafted, struct files_bytes *bytes,
                                unsigned channels)
{
    double rate_hz = crafted_rate_hz(crafted);
    uint64_t pattern;
    memcpy(&pattern, &rate_hz, 8);
    crafted_head(crafted, bytes, "desc", 32);
    files_big(bytes, pattern, 8);
    files_text(bytes, crafted->type ? crafted->type : "lpcm");
    files_big(bytes, (crafted->is_float ? 1u : 0u) | (crafted->is_big ? 0u : 2u), 4);
    files_big(bytes, crafted->align ? crafted->align : channels * crafted_stored(crafted),
              4);
    files_big(bytes, 1, 4);
    files_big(bytes, channels, 4);
    files_big(bytes, crafted->bits ? crafted->bits : 16, 4);
}

static inline void crafted_format(const struct crafted *crafted,
                                  struct files_bytes *bytes, unsigned channels)
{
    if (crafted->family == CRAFTED_AIFF)
        crafted_comm(crafted, bytes, channels,
                     CRAFTED_FRAMES + crafted->hole / crafted_frame_bytes(crafted));
    else if (crafted->family == CRAFTED_CAF)
        crafted_desc(crafted, bytes, channels);
    else
        crafted_fmt(crafted, bytes, channels, crafted->is_extensible ? 40 : 16);
}

/* *ret_middle is where a hole would be. */
static inline void crafted_audio(const struct crafted *crafted, struct files_bytes *bytes,
                                 size_t *ret_middle)
{
    static const char *const names[] = {"data", "data", "SSND", "data"};
    int64_t samples = CRAFTED_FRAMES * crafted_channels(crafted);
    int64_t before = crafted->family == CRAFTED_AIFF  ? 8 + crafted->ssnd_offset
                     : crafted->family == CRAFTED_CAF ? 4
                                                      : 0;
    int64_t size =
        before + samples * crafted_stored(crafted) + crafted->extra + crafted->hole;
    uint64_t told = crafted->lies ? crafted->declared : (uint64_t)size;
    crafted_head(crafted, bytes, names[crafted->family], told);
    if (crafted->family == CRAFTED_AIFF)
        files_big(bytes, (uint64_t)crafted->ssnd_offset, 4);
    bytes->count += (size_t)(crafted->family == CRAFTED_AIFF ? before - 4 : before);
    crafted_samples(crafted, bytes, 0, samples / 2);
    *ret_middle = bytes->count;
    crafted_samples(crafted, bytes, samples / 2, samples - samples / 2);
    bytes->count += (size_t)crafted->extra;
}

static inline void crafted_ds64(const struct crafted *crafted, struct files_bytes *bytes)
{
    files_text(bytes, "ds64");
    files_little(bytes, 28, 4);
    files_little(bytes, 1000, 8);
    files_little(bytes,
                 crafted->ds64
                     ? crafted->ds64
                     : (uint64_t)(CRAFTED_FRAMES * crafted_frame_bytes(crafted)),
                 8);
    files_little(bytes, 0, 8);
    files_little(bytes, 0, 4);
}

static inline void crafted_odd(const struct crafted *crafted, struct files_bytes *bytes,
                               const char *pad)
{
    crafted_head(crafted, bytes, "LIST", 7);
    files_text(bytes, "INFOabc");
    if (*pad == '0')
        bytes->count++;
    else
        files_text(bytes, pad);
}

static inline void crafted_chunk(const struct crafted *crafted, struct files_bytes *bytes,
                                 char letter, size_t *ret_middle)
{
    unsigned channels = crafted_channels(crafted);
    switch (letter) {
    case 'F':
        crafted_format(crafted, bytes, channels);
        break;
    case 'G':
        crafted_format(crafted, bytes, 2 * channels);
        break;
    case 'K':
        crafted_fmt(crafted, bytes, channels, 20);
        break;
    case 'D':
        crafted_audio(crafted, bytes, ret_middle);
        break;
    case 'E':
        crafted_head(crafted, bytes, "data",
                     (uint64_t)(10 * crafted_frame_bytes(crafted)));
        crafted_samples(crafted, bytes, 0, 10 * (int64_t)channels);
        break;
    case '0':
        crafted_text(crafted, bytes, "data", "");
        break;
    case '8':
        crafted_ds64(crafted, bytes);
        break;
    case 'L':
        crafted_text(crafted, bytes, "LIST", "INFOabcd");
        break;
    case 'B':
        crafted_text(crafted, bytes, "bext", "Desk A, adapter unit A, line out");
        break;
    case 'X':
        crafted_text(crafted, bytes, "iXML", "<BWFXML><NOTE>unit A</NOTE></BWFXML>");
        break;
    case 'I':
        crafted_text(crafted, bytes, "id3 ", "ID3 and what else players write there");
        break;
    case 'J':
        crafted_text(crafted, bytes, "JUNK", "");
        break;
    case 'Q':
        crafted_text(crafted, bytes, "qqqq", "a chunk of nobody's");
        break;
    case 'V':
        crafted_text(crafted, bytes, "FVER", "\xA2\x80\x51\x40");
        break;
    case 'p':
        crafted_odd(crafted, bytes, "0");
        break;
    case 'n':
        crafted_odd(crafted, bytes, "x");
        break;
    case 'u':
        crafted_odd(crafted, bytes, "");
        break;
    case 'c':
        crafted_head(crafted, bytes, "LIST", 1000);
        files_text(bytes, "INFOabcdef");
        break;
    case 'h':
        crafted_head(crafted, bytes, "LIST", 0x80000000 + 1000000000);
        break;
    case 'm':
        for (int i = 0; i < 2000; i++)
            crafted_text(crafted, bytes, "JUNK", "");
        break;
    case 'R':
        files_text(bytes, "RIFF\x24");
        bytes->count += 3;
        files_text(bytes, "WAVEfmt and so on");
        break;
    case 'z':
        bytes->count += 10;
        break;
    case 't':
        files_text(bytes, "not chunks");
        break;
    case '1':
        bytes->count++;
        break;
    default:
        fail_msg("no chunk for the letter %c", letter);
    }
}

static inline void crafted_start(const struct crafted *crafted, struct files_bytes *bytes)
{
    if (crafted->family == CRAFTED_W64) {
        files_text(bytes, "riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB\x04\xC1");
        bytes->count = 24;
        files_text(bytes, "wave\xF3\xAC\xD3\x11\x8C\xD1");
        bytes->count = 40;
    } else if (crafted->family == CRAFTED_CAF) {
        files_text(bytes, "caff");
        files_big(bytes, 0x00010000, 4);
    } else if (crafted->family == CRAFTED_AIFF) {
        files_text(bytes, "FORM????");
        files_text(bytes, crafted->type ? "AIFC" : "AIFF");
    } else {
        files_text(bytes, crafted->magic ? crafted->magic : "RIFF");
        files_text(bytes, "????WAVE");
    }
}

static inline int crafted_file(const struct crafted *crafted)
{
    static struct files_bytes bytes;
    size_t middle = 0;
    memset(&bytes, 0, sizeof bytes);
    crafted_start(crafted, &bytes);
    for (const char *letter = crafted->chunks; *letter; letter++) {
        crafted_chunk(crafted, &bytes, *letter, &middle);
        if (*letter == 'D' && letter[1] && letter[1] != '1')
            crafted_pad(crafted, &bytes);
    }
    bytes.count -= (size_t)crafted->cut;
    if (crafted->hole == 0)
        return files_from_bytes(&bytes);
    int descriptor = files_descriptor(bytes.at, middle);
    assert_int_equal(pwrite(descriptor, bytes.at + middle, bytes.count - middle,
                            (off_t)middle + crafted->hole),
                     bytes.count - middle);
    return descriptor;
}

#endif
