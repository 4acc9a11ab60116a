#include "analysis/capture/aiff.h"

#include <math.h>
#include <string.h>

enum { PLAIN_COMM_BYTES = 18, COMM_BYTES = 22, SSND_BYTES = 8 };

/* What a compression type of AIFF-C says of the samples; bits 0: as COMM says. */
struct compression {
    char type[5];
    int bits;
    bool is_float, is_little;
};

static const struct compression compressions[] = {
    {"NONE", 0, false, false},  {"twos", 0, false, false},  {"sowt", 0, false, true},
    {"in24", 24, false, false}, {"in32", 32, false, false}, {"42ni", 24, false, true},
    {"23ni", 32, false, true},  {"fl32", 32, true, false},  {"FL32", 32, true, false},
    {"fl64", 64, true, false},  {"FL64", 64, true, false},
};

/* A rate of AIFF: sign and exponent (biased by 16383) in 16 bits, mantissa in 64. */
static double extended(const unsigned char *bytes)
{
    int exponent = (int)(chunks_big(bytes, 2) & 0x7FFF);
    return ldexp((double)chunks_big(bytes + 2, 8), exponent - 16383 - 63);
}

static const struct compression *find_compression(const unsigned char *type,
                                                  struct problem *problem)
{
    char name[5] = {0};
    for (size_t i = 0; i < sizeof compressions / sizeof compressions[0]; i++)
        if (memcmp(type, compressions[i].type, 4) == 0)
            return &compressions[i];
    for (int i = 0; i < 4; i++)
        name[i] = type[i] >= 32 && type[i] < 127 ? (char)type[i] : '?';
    walk_refuse(problem, "of AIFF-C, compressed as “%s”", name);
    return NULL;
}

static bool read_comm(const struct chunks *chunks, const struct chunk *chunk,
                      struct walk *ret, struct problem *problem)
{
    unsigned char comm[] = "..................NONE";
    size_t bytes = chunk->bytes < COMM_BYTES ? PLAIN_COMM_BYTES : COMM_BYTES;
    if (!chunks_read(chunks, chunk, comm, bytes))
        return problem_set(
            problem, PROBLEM_NOT_AUDIO, NULL,
            "The COMM chunk of this aiff file has %lld bytes; %d are needed.",
            (long long)chunk->bytes, PLAIN_COMM_BYTES);
    const struct compression *compression =
        find_compression(comm + PLAIN_COMM_BYTES, problem);
    if (!compression)
        return false;
    int bits = compression->bits ? compression->bits : (int)chunks_big(comm + 6, 2);
    if (bits <= 8 || (bits > 32 && !compression->is_float))
        return walk_refuse(problem, "PCM of %d bits", bits);
    struct walk_form form = {
        .channels = (int64_t)chunks_big(comm, 2),
        .sample_rate_hz = extended(comm + 8),
        .sample_bytes = (bits + 7) / 8,
        .is_float = compression->is_float,
        .big_endian = !compression->is_little,
    };
    ret->declared_frames = (int64_t)chunks_big(comm + 2, 4);
    return walk_take_form(ret, &form, problem);
}

/* The samples begin behind two numbers of 4 bytes, of which the first tells how much
 * farther on. */
static void take_ssnd(const struct chunks *chunks, struct chunk *chunk, struct walk *ret)
{
    unsigned char head[4] = {0};
    int64_t skipped = SSND_BYTES;
    if (chunks_read(chunks, chunk, head, sizeof head))
        skipped += (int64_t)chunks_big(head, 4);
    walk_take_audio(ret, chunks, chunk, skipped);
}

bool aiff_walk(struct chunks *chunks, struct walk *ret, struct problem *problem)
{
    struct chunk chunk;
    while (chunks_next(chunks, &chunk)) {
        if (strcmp(chunk.name, "SSND") == 0)
            take_ssnd(chunks, &chunk, ret);
        if (!chunks_holds(chunks, &chunk))
            break;
        if (strcmp(chunk.name, "COMM") == 0 && !read_comm(chunks, &chunk, ret, problem))
            return false;
        chunks_pass(chunks, &chunk);
    }
    return true;
}
