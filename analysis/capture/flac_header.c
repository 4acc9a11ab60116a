#include "analysis/capture/flac_header.h"

#include <string.h>

#include "analysis/capture/chunks.h"
#include "analysis/capture/input.h"

enum { MAGIC_BYTES = 4, BLOCK_HEAD_BYTES = 4, STREAMINFO_BYTES = 34, MOST_BLOCKS = 1000 };

/* A block's head: a bit that marks the last one, 7 bits of type, 24 bits of length. */
static bool skip_metadata(int descriptor, int64_t file_bytes, struct problem *problem)
{
    int64_t offset = MAGIC_BYTES;
    for (int i = 0; i < MOST_BLOCKS; i++) {
        unsigned char head[BLOCK_HEAD_BYTES];
        if (!input_read_at(descriptor, offset, head, sizeof head))
            break;
        offset += BLOCK_HEAD_BYTES + (int64_t)chunks_big(head + 1, 3);
        if (offset >= file_bytes)
            break;
        if (head[0] & 0x80)
            return true;
    }
    return problem_set(
        problem, PROBLEM_NO_AUDIO, NULL,
        "This flac file of %lld bytes ends within its metadata, before any "
        "audio; send the whole file, or record again.",
        (long long)file_bytes);
}

/* 20 bits of rate, 3 of channels less one, 5 of bits less one, 36 of frames with 0 for
 * unknown; then the MD5, all zeros where the encoder left none. */
static bool take_streaminfo(const unsigned char *info, struct walk *ret,
                            struct problem *problem)
{
    static const unsigned char no_md5[16];
    uint64_t packed = chunks_big(info + 10, 8);
    int bits = (int)(packed >> 36 & 31) + 1;
    int64_t frames = (int64_t)(packed & 0xFFFFFFFFF);
    if (bits <= 8)
        return problem_set(
            problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
            "The samples are FLAC of %d bits; send FLAC of more than 8 bits.", bits);
    struct walk_form form = {
        .channels = (int64_t)(packed >> 41 & 7) + 1,
        .sample_rate_hz = (double)(packed >> 44),
        .sample_bytes = (bits + 7) / 8,
        .bits = bits,
    };
    ret->declared_frames = frames > 0 ? frames : -1;
    ret->lacks_md5 = memcmp(info + 18, no_md5, sizeof no_md5) == 0;
    return walk_take_form(ret, &form, problem);
}

bool flac_header_walk(int descriptor, int64_t file_bytes, struct walk *ret,
                      struct problem *problem)
{
    unsigned char head[MAGIC_BYTES + BLOCK_HEAD_BYTES + STREAMINFO_BYTES];
    if (!input_read_at(descriptor, 0, head, sizeof head) || (head[4] & 0x7F) != 0 ||
        chunks_big(head + 5, 3) != STREAMINFO_BYTES)
        return problem_set(problem, PROBLEM_NOT_AUDIO, NULL,
                           "This flac file does not begin with a STREAMINFO block of %d "
                           "bytes; send it anew.",
                           STREAMINFO_BYTES);
    return take_streaminfo(head + MAGIC_BYTES + BLOCK_HEAD_BYTES, ret, problem) &&
           skip_metadata(descriptor, file_bytes, problem);
}
