#include "analysis/capture/riff.h"

#include <string.h>

enum { FMT_BYTES = 40, PLAIN_FMT_BYTES = 16, DS64_BYTES = 16 };
enum { TAG_PCM = 1, TAG_FLOAT = 3, TAG_EXTENSIBLE = 0xFFFE };

static const char *tag_name(unsigned tag)
{
    static const struct {
        unsigned tag;
        const char *name;
    } names[] = {
        {0x0002, "ADPCM"},     {0x0006, "A-law"},    {0x0007, "µ-law"},
        {0x0011, "IMA ADPCM"}, {0x0031, "GSM 6.10"}, {0x0050, "MPEG layer 1 or 2"},
        {0x0055, "MP3"},       {0x00FF, "AAC"},      {0x0161, "WMA"},
        {0x0162, "WMA"},       {0x1610, "AAC"},      {0xF1AC, "FLAC in WAV"},
    };
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (names[i].tag == tag)
            return names[i].name;
    return "unknown to us";
}

/* What fmt says: tag, channels, rate, bytes a second, bytes a frame, bits, then for the
 * extensible form its size, valid bits, speakers and a GUID that begins with the true
 * tag. */
struct fmt {
    unsigned tag, channels, frame_bytes, bits;
    uint32_t rate_hz;
};

/* The rest of the GUID: of WAV's own tags, and of B-format ambisonics, whose samples are
 * stored alike. */
static bool guid_is_known(const unsigned char *rest)
{
    return memcmp(rest, "\0\0\0\0\x10\0\x80\0\0\xAA\0\x38\x9B\x71", 14) == 0 ||
           memcmp(rest, "\0\0\x21\x07\xD3\x11\x86\x44\xC8\xC1\xCA\0\0\0", 14) == 0;
}

static bool take_true_tag(const unsigned char bytes[FMT_BYTES], int64_t present,
                          struct fmt *fmt, struct problem *problem)
{
    if (present < FMT_BYTES)
        return walk_refuse(problem,
                           "of extensible WAV, whose fmt chunk should have %d bytes but "
                           "has %lld",
                           FMT_BYTES, (long long)present);
    fmt->tag = (unsigned)chunks_little(bytes + 24, 2);
    if (!guid_is_known(bytes + 26))
        return walk_refuse(problem, "of extensible WAV with a sub-format unknown to us");
    return true;
}

/* Bytes of a sample as they are stored, or 0. */
static int stored_bytes(const struct fmt *fmt)
{
    int wanted = (int)((fmt->bits + 7) / 8);
    if (fmt->frame_bytes == fmt->channels * (unsigned)wanted)
        return wanted;
    bool wide =
        fmt->tag == TAG_PCM && wanted == 3 && fmt->frame_bytes == 4 * fmt->channels;
    return wide ? 4 : 0;
}

static bool check_encoding(const struct fmt *fmt, struct problem *problem)
{
    if (fmt->tag != TAG_PCM && fmt->tag != TAG_FLOAT)
        return walk_refuse(problem, "of WAV format %u (%s)", fmt->tag,
                           tag_name(fmt->tag));
    if (fmt->tag == TAG_PCM && (fmt->bits <= 8 || fmt->bits > 32))
        return walk_refuse(problem, "PCM of %u bits", fmt->bits);
    if (fmt->tag == TAG_FLOAT && fmt->bits != 32 && fmt->bits != 64)
        return walk_refuse(problem, "floats of %u bits", fmt->bits);
    if (fmt->channels > 0 && stored_bytes(fmt) == 0)
        return walk_refuse(
            problem,
            "%u channels of %u bits, which make frames of %u bytes, but the header says "
            "%u",
            fmt->channels, fmt->bits, fmt->channels * ((fmt->bits + 7) / 8),
            fmt->frame_bytes);
    return true;
}

static bool read_fmt(const struct chunks *chunks, const struct chunk *chunk,
                     struct walk *ret, struct problem *problem)
{
    unsigned char bytes[FMT_BYTES] = {0};
    int64_t present = chunk->bytes < FMT_BYTES ? chunk->bytes : FMT_BYTES;
    if (present < PLAIN_FMT_BYTES || !chunks_read(chunks, chunk, bytes, (size_t)present))
        return problem_set(
            problem, PROBLEM_NOT_AUDIO, NULL,
            "The fmt chunk of this wav file has %lld bytes; %d are needed.",
            (long long)chunk->bytes, PLAIN_FMT_BYTES);
    struct fmt fmt = {
        .tag = (unsigned)chunks_little(bytes, 2),
        .channels = (unsigned)chunks_little(bytes + 2, 2),
        .rate_hz = (uint32_t)chunks_little(bytes + 4, 4),
        .frame_bytes = (unsigned)chunks_little(bytes + 12, 2),
        .bits = (unsigned)chunks_little(bytes + 14, 2),
    };
    if (fmt.tag == TAG_EXTENSIBLE && !take_true_tag(bytes, present, &fmt, problem))
        return false;
    if (!check_encoding(&fmt, problem))
        return false;
    struct walk_form form = {
        .channels = fmt.channels,
        .sample_rate_hz = fmt.rate_hz,
        .sample_bytes = stored_bytes(&fmt),
        .is_float = fmt.tag == TAG_FLOAT,
    };
    return walk_take_form(ret, &form, problem);
}

/* The size of the data in 64 bits stands behind the one of the whole. */
static int64_t read_ds64(const struct chunks *chunks, const struct chunk *chunk)
{
    unsigned char bytes[DS64_BYTES];
    if (!chunks_read(chunks, chunk, bytes, sizeof bytes))
        return -1;
    uint64_t size = chunks_little(bytes + 8, 8);
    return size > INT64_MAX ? -1 : (int64_t)size;
}

bool riff_walk(struct chunks *chunks, enum container container, struct walk *ret,
               struct problem *problem)
{
    struct chunk chunk;
    int64_t large_bytes = -1;
    bool is_large = container == CONTAINER_RF64 || container == CONTAINER_BW64;
    while (chunks_next(chunks, &chunk)) {
        if (strcmp(chunk.name, "data") == 0) {
            if (is_large && chunk.bytes == 0xFFFFFFFF)
                chunk.bytes = large_bytes;
            walk_take_audio(ret, chunks, &chunk, 0);
        }
        if (!chunks_holds(chunks, &chunk))
            break;
        if (is_large && strcmp(chunk.name, "ds64") == 0)
            large_bytes = read_ds64(chunks, &chunk);
        if (strcmp(chunk.name, "fmt ") == 0 && !read_fmt(chunks, &chunk, ret, problem))
            return false;
        chunks_pass(chunks, &chunk);
    }
    return true;
}
