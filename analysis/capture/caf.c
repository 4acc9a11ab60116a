#include "analysis/capture/caf.h"

#include <string.h>

enum { DESC_BYTES = 32, EDIT_COUNT_BYTES = 4 };
enum { FLAG_FLOAT = 1, FLAG_LITTLE_ENDIAN = 2 };

static double big_double(const unsigned char *bytes)
{
    uint64_t bits = chunks_big(bytes, 8);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static bool refuse_format(const unsigned char *id, struct problem *problem)
{
    static const char names[][2][16] = {
        {"alac", "ALAC"},      {"aac ", "AAC"}, {"ulaw", "µ-law"}, {"alaw", "A-law"},
        {"ima4", "IMA ADPCM"}, {".mp3", "MP3"}, {"flac", "FLAC"},  {"opus", "Opus"},
    };
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (memcmp(id, names[i][0], 4) == 0)
            return walk_refuse(problem, "%s", names[i][1]);
    return walk_refuse(problem, "of a CAF format unknown to us");
}

/* desc: rate, format, flags, bytes and frames a packet, channels, bits. */
static bool read_desc(const struct chunks *chunks, const struct chunk *chunk,
                      struct walk *ret, struct problem *problem)
{
    unsigned char desc[DESC_BYTES];
    if (!chunks_read(chunks, chunk, desc, sizeof desc))
        return problem_set(
            problem, PROBLEM_NOT_AUDIO, NULL,
            "The desc chunk of this caf file has %lld bytes; %d are needed.",
            (long long)chunk->bytes, DESC_BYTES);
    if (memcmp(desc + 8, "lpcm", 4) != 0)
        return refuse_format(desc + 8, problem);
    unsigned flags = (unsigned)chunks_big(desc + 12, 4);
    int64_t packet_bytes = (int64_t)chunks_big(desc + 16, 4);
    int64_t packet_frames = (int64_t)chunks_big(desc + 20, 4);
    int64_t channels = (int64_t)chunks_big(desc + 24, 4);
    unsigned bits = (unsigned)chunks_big(desc + 28, 4);
    bool is_float = flags & FLAG_FLOAT;
    if (is_float ? bits != 32 && bits != 64 : bits <= 8 || bits > 32)
        return walk_refuse(problem, "%s of %u bits", is_float ? "floats" : "PCM", bits);
    int sample_bytes = (int)((bits + 7) / 8);
    if (packet_frames != 1 || packet_bytes != channels * sample_bytes)
        return walk_refuse(problem,
                           "%lld channels of %u bits in packets of %lld bytes and %lld "
                           "frames; only packets of one frame without gaps are read",
                           (long long)channels, bits, (long long)packet_bytes,
                           (long long)packet_frames);
    struct walk_form form = {
        .channels = channels,
        .sample_rate_hz = big_double(desc),
        .sample_bytes = sample_bytes,
        .is_float = is_float,
        .big_endian = !(flags & FLAG_LITTLE_ENDIAN),
    };
    return walk_take_form(ret, &form, problem);
}

bool caf_walk(struct chunks *chunks, struct walk *ret, struct problem *problem)
{
    struct chunk chunk;
    while (chunks_next(chunks, &chunk)) {
        if (strcmp(chunk.name, "data") == 0)
            walk_take_audio(ret, chunks, &chunk, EDIT_COUNT_BYTES);
        if (!chunks_holds(chunks, &chunk))
            break;
        if (strcmp(chunk.name, "desc") == 0 && !read_desc(chunks, &chunk, ret, problem))
            return false;
        chunks_pass(chunks, &chunk);
    }
    return true;
}
