#include "analysis/capture/header.h"

#include <math.h>
#include <string.h>

#include "analysis/capture/capture.h"
#include "analysis/capture/input.h"

/* A header has a dozen chunks; a file of nothing but empty ones must not keep us busy. */
enum { MAX_CHUNKS = 1000 };

static uint64_t little(const unsigned char *bytes, int count)
{
    uint64_t value = 0;
    while (count-- > 0)
        value = value << 8 | bytes[count];
    return value;
}

static uint64_t big(const unsigned char *bytes, int count)
{
    uint64_t value = 0;
    for (int i = 0; i < count; i++)
        value = value << 8 | bytes[i];
    return value;
}

/* One chunk: its name, where its content begins, how long it says it is. */
struct chunk {
    char name[5];
    int64_t content, bytes; /* bytes −1: a size that makes no sense */
};

/* How the chunks of a family are laid out. */
struct layout {
    int head_bytes; /* before the first chunk */
    int name_bytes; /* a FourCC, or a GUID that begins with one */
    int size_bytes;
    bool big_endian;
    bool size_counts_head; /* W64: the size includes name and size */
    int alignment;
};

static const struct layout layouts[] = {
    [CONTAINER_WAV] = {12, 4, 4, false, false, 2},
    [CONTAINER_RF64] = {12, 4, 4, false, false, 2},
    [CONTAINER_BW64] = {12, 4, 4, false, false, 2},
    [CONTAINER_W64] = {40, 16, 8, false, true, 8},
    [CONTAINER_AIFF] = {12, 4, 4, true, false, 2},
    [CONTAINER_CAF] = {8, 4, 8, true, false, 1},
};

static bool read_chunk(int descriptor, const struct layout *layout, int64_t offset,
                       struct chunk *ret)
{
    unsigned char head[24];
    int head_bytes = layout->name_bytes + layout->size_bytes;
    if (!input_read_at(descriptor, offset, head, (size_t)head_bytes))
        return false;
    const unsigned char *size = head + layout->name_bytes;
    uint64_t bytes = layout->big_endian ? big(size, layout->size_bytes)
                                        : little(size, layout->size_bytes);
    memcpy(ret->name, head, 4);
    ret->name[4] = 0;
    ret->content = offset + head_bytes;
    uint64_t counted = layout->size_counts_head ? (uint64_t)head_bytes : 0;
    ret->bytes = bytes < counted || bytes > INT64_MAX ? -1 : (int64_t)(bytes - counted);
    return true;
}

/* False where the chunk's size leads nowhere. */
static bool next_offset(const struct layout *layout, const struct chunk *chunk,
                        int64_t *ret)
{
    int64_t end;
    if (chunk->bytes < 0 || __builtin_add_overflow(chunk->content, chunk->bytes, &end) ||
        end > INT64_MAX - layout->alignment)
        return false;
    *ret = (end + layout->alignment - 1) / layout->alignment * layout->alignment;
    return true;
}

static const char *wav_tag_name(uint64_t tag)
{
    static const struct {
        uint64_t tag;
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

static bool bad_encoding(struct problem *problem, const char *what, unsigned long number,
                         const char *name)
{
    return problem_set(problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
                       "The samples are %s %lu (%s); send PCM of 16, 24 or 32 bits, or "
                       "floats of 32 or 64 bits.",
                       what, number, name);
}

/* fmt of WAV, RF64, BW64 and W64: tag, channels, rate, bytes a second, bytes a frame,
 * bits, then for the extensible form 8 bytes and the GUID that begins with the true tag.
 */
static bool read_fmt(int descriptor, const struct chunk *chunk, struct header *ret,
                     struct problem *problem)
{
    unsigned char fmt[40] = {0};
    size_t bytes = chunk->bytes < 40 ? (size_t)chunk->bytes : 40;
    if (chunk->bytes < 16 || !input_read_at(descriptor, chunk->content, fmt, bytes))
        return true;
    uint64_t tag = little(fmt, 2), bits = little(fmt + 14, 2);
    if (tag == 0xFFFE)
        tag = little(fmt + 24, 2);
    ret->found = true;
    ret->channels = (int64_t)little(fmt + 2, 2);
    ret->sample_rate_hz = (double)little(fmt + 4, 4);
    ret->frame_bytes = (int64_t)little(fmt + 12, 2);
    if (tag != 1 && tag != 3)
        return bad_encoding(problem, "of WAV format", (unsigned long)tag,
                            wav_tag_name(tag));
    if (tag == 1 && (bits <= 8 || bits > 32))
        return bad_encoding(problem, "PCM of bits:", (unsigned long)bits, "WAV");
    if (tag == 3 && bits != 32 && bits != 64)
        return bad_encoding(problem, "floats of bits:", (unsigned long)bits, "WAV");
    int64_t wanted = ret->channels * (int64_t)((bits + 7) / 8);
    /* libsndfile would step by the bits and read the samples from the wrong places. */
    if (ret->channels > 0 && ret->frame_bytes != wanted)
        return problem_set(
            problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
            "A frame of %lld channels of %llu bits has %lld bytes, but the "
            "header says %lld; write the recording anew with samples of 16, "
            "24 or 32 bits.",
            (long long)ret->channels, (unsigned long long)bits, (long long)wanted,
            (long long)ret->frame_bytes);
    return true;
}

/* Recorders that cannot seek back leave a size near 2^31 or 2^32, or none. */
static bool is_placeholder(int64_t bytes)
{
    return bytes <= 0 || (bytes >= 0x7FFFF000 && bytes <= 0x80000000) ||
           (bytes >= 0xFFFFF000 && bytes <= 0xFFFFFFFF);
}

static bool read_riff(int descriptor, enum container container, struct header *ret,
                      struct problem *problem)
{
    const struct layout *layout = &layouts[container];
    int64_t offset = layout->head_bytes, ds64_bytes = -1;
    struct chunk chunk;
    for (int i = 0; i < MAX_CHUNKS; i++) {
        if (!read_chunk(descriptor, layout, offset, &chunk))
            return true;
        unsigned char ds64[16];
        if (strcmp(chunk.name, "ds64") == 0 &&
            input_read_at(descriptor, chunk.content, ds64, sizeof ds64))
            ds64_bytes = (int64_t)(little(ds64 + 8, 8) & INT64_MAX);
        if (strcmp(chunk.name, "fmt ") == 0 &&
            !read_fmt(descriptor, &chunk, ret, problem))
            return false;
        if (strcmp(chunk.name, "data") == 0)
            break;
        if (!next_offset(layout, &chunk, &offset))
            return true;
    }
    if (strcmp(chunk.name, "data") != 0 || ret->frame_bytes <= 0)
        return true;
    if (chunk.bytes == 0xFFFFFFFF && ds64_bytes >= 0)
        chunk.bytes = ds64_bytes;
    if (!is_placeholder(chunk.bytes))
        ret->frames = chunk.bytes / ret->frame_bytes;
    return true;
}

/* A rate of AIFF: sign and exponent (biased by 16383) in 16 bits, mantissa in 64. */
static double extended(const unsigned char *bytes)
{
    int exponent = (int)(big(bytes, 2) & 0x7FFF);
    return ldexp((double)big(bytes + 2, 8), exponent - 16383 - 63);
}

static bool read_aiff(int descriptor, struct header *ret, struct problem *problem)
{
    static const char *const readable[] = {"NONE", "twos", "sowt", "in24", "in32", "42ni",
                                           "23ni", "fl32", "FL32", "fl64", "FL64"};
    const struct layout *layout = &layouts[CONTAINER_AIFF];
    int64_t offset = layout->head_bytes;
    struct chunk chunk;
    unsigned char common[22] = "..................NONE";
    for (int i = 0;; i++) {
        if (i == MAX_CHUNKS || !read_chunk(descriptor, layout, offset, &chunk))
            return true;
        if (strcmp(chunk.name, "COMM") == 0)
            break;
        if (!next_offset(layout, &chunk, &offset))
            return true;
    }
    size_t bytes = chunk.bytes < 22 ? 18 : 22;
    if (chunk.bytes < 18 || !input_read_at(descriptor, chunk.content, common, bytes))
        return true;
    ret->found = true;
    ret->channels = (int64_t)big(common, 2);
    ret->frames = (int64_t)big(common + 2, 4);
    ret->sample_rate_hz = extended(common + 8);
    ret->frame_bytes = ret->channels * (int64_t)((big(common + 6, 2) + 7) / 8);
    for (size_t i = 0; i < sizeof readable / sizeof readable[0]; i++)
        if (memcmp(common + 18, readable[i], 4) == 0)
            return true;
    char name[5] = {0};
    for (int i = 0; i < 4; i++)
        name[i] =
            common[18 + i] >= 32 && common[18 + i] < 127 ? (char)common[18 + i] : '?';
    return bad_encoding(problem, "AIFF-C of bits:", (unsigned long)big(common + 6, 2),
                        name);
}

static double big_double(const unsigned char *bytes)
{
    uint64_t bits = big(bytes, 8);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void read_caf(int descriptor, struct header *ret)
{
    const struct layout *layout = &layouts[CONTAINER_CAF];
    int64_t offset = layout->head_bytes;
    struct chunk chunk;
    for (int i = 0; i < MAX_CHUNKS; i++) {
        if (!read_chunk(descriptor, layout, offset, &chunk))
            return;
        unsigned char desc[32];
        if (strcmp(chunk.name, "desc") == 0 &&
            input_read_at(descriptor, chunk.content, desc, sizeof desc)) {
            ret->found = true;
            ret->sample_rate_hz = big_double(desc);
            ret->frame_bytes = (int64_t)big(desc + 16, 4);
            ret->channels = (int64_t)big(desc + 24, 4);
        }
        if (strcmp(chunk.name, "data") == 0)
            break;
        if (!next_offset(layout, &chunk, &offset))
            return;
    }
    /* Four bytes of the chunk count edits; −1 runs to the end of the file. */
    if (strcmp(chunk.name, "data") == 0 && chunk.bytes > 4 && ret->frame_bytes > 0)
        ret->frames = (chunk.bytes - 4) / ret->frame_bytes;
}

/* STREAMINFO comes first: 20 bits of rate, 3 of channels less one, 5 of bits less one, 36
 * of frames with 0 for unknown (RFC 9639). */
static bool read_flac(int descriptor, struct header *ret, struct problem *problem)
{
    unsigned char block[42];
    if (!input_read_at(descriptor, 0, block, sizeof block) || (block[4] & 0x7F) != 0)
        return true;
    uint64_t packed = big(block + 18, 8);
    ret->found = true;
    ret->sample_rate_hz = (double)(packed >> 44);
    ret->channels = (int64_t)(packed >> 41 & 7) + 1;
    uint64_t bits = (packed >> 36 & 31) + 1;
    int64_t total = (int64_t)(packed & 0xFFFFFFFFF);
    ret->frames = total > 0 ? total : -1;
    if (bits != 16 && bits != 24)
        return problem_set(
            problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
            "The samples are FLAC of %llu bits; send FLAC of 16 or 24 bits.",
            (unsigned long long)bits);
    return true;
}

bool header_read(int descriptor, enum container container, struct header *ret,
                 struct problem *problem)
{
    struct header header = {.frames = -1};
    bool good = true;
    if (container == CONTAINER_FLAC)
        good = read_flac(descriptor, &header, problem);
    else if (container == CONTAINER_CAF)
        read_caf(descriptor, &header);
    else if (container == CONTAINER_AIFF)
        good = read_aiff(descriptor, &header, problem);
    else
        good = read_riff(descriptor, container, &header, problem);
    if (good)
        *ret = header;
    return good;
}

bool header_check(const struct header *header, struct problem *problem)
{
    if (header->channels < 1 || header->channels > CAPTURE_MAX_CHANNELS)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "channels",
                           "The recording has %lld channels; 1 to %d can be measured.",
                           (long long)header->channels, CAPTURE_MAX_CHANNELS);
    double rate = header->sample_rate_hz;
    if (!(rate >= CAPTURE_MIN_SAMPLE_RATE_HZ && rate <= CAPTURE_MAX_SAMPLE_RATE_HZ))
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
                           "The sample rate is %.10g Hz; %d to %d Hz can be measured.",
                           rate, CAPTURE_MIN_SAMPLE_RATE_HZ, CAPTURE_MAX_SAMPLE_RATE_HZ);
    double limit = rate * CAPTURE_MAX_DURATION_S;
    if ((double)header->frames > limit)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "frames",
            "The header declares %lld frames, %.1f h at %.10g Hz; the limit "
            "is %d h (%.0f frames): send a shorter recording.",
            (long long)header->frames, (double)header->frames / rate / 3600, rate,
            CAPTURE_MAX_DURATION_S / 3600, limit);
    return true;
}
