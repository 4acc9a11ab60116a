#include "analysis/capture/container.h"

#include <string.h>

#include "analysis/capture/input.h"

enum { HEAD_BYTES = 16 };

#define READABLE "WAV, RF64, BW64, W64, AIFF, CAF or FLAC"

const char *container_name(enum container container)
{
    static const char *const names[] = {
        [CONTAINER_WAV] = "wav",   [CONTAINER_RF64] = "rf64", [CONTAINER_BW64] = "bw64",
        [CONTAINER_W64] = "w64",   [CONTAINER_AIFF] = "aiff", [CONTAINER_CAF] = "caf",
        [CONTAINER_FLAC] = "flac",
    };
    return names[container];
}

/* A magic at the start, and for the chunked families the form at its own offset. */
struct magic {
    const char *start;
    int form_offset; /* 0: no form */
    const char *form;
};

static bool matches(const char *head, const struct magic *magic)
{
    return strncmp(head, magic->start, strlen(magic->start)) == 0 &&
           (magic->form_offset == 0 ||
            memcmp(head + magic->form_offset, magic->form, strlen(magic->form)) == 0);
}

static const struct {
    struct magic magic;
    enum container container;
} readable[] = {
    {{"RIFF", 8, "WAVE"}, CONTAINER_WAV},
    {{"RF64", 8, "WAVE"}, CONTAINER_RF64},
    {{"BW64", 8, "WAVE"}, CONTAINER_BW64},
    {{"riff\x2E\x91\xCF\x11", 0, ""}, CONTAINER_W64},
    {{"FORM", 8, "AIFF"}, CONTAINER_AIFF},
    {{"FORM", 8, "AIFC"}, CONTAINER_AIFF},
    {{"caff", 0, ""}, CONTAINER_CAF},
    {{"fLaC", 0, ""}, CONTAINER_FLAC},
};

static const struct {
    struct magic magic;
    const char *name;
} known[] = {
    {{"OggS", 0, ""}, "an Ogg file (Vorbis, Opus or FLAC in Ogg)"},
    {{"ID3", 0, ""}, "a file that begins with an ID3 tag, as MP3 files do"},
    {{"", 4, "ftyp"}, "an MP4 file (AAC or ALAC)"},
    {{"\x1A\x45\xDF\xA3", 0, ""}, "a Matroska or WebM file"},
    {{"\x30\x26\xB2\x75", 0, ""}, "an ASF file (WMA)"},
    {{"RIFF", 8, "AVI "}, "an AVI file"},
    {{"RIFX", 8, "WAVE"}, "a big-endian WAV file (RIFX)"},
    {{"FORM", 8, "8SVX"}, "an 8SVX file"},
    {{"FORM", 8, "MAUD"}, "a MAUD file"},
    {{"FRM8", 0, ""}, "a DSDIFF file"},
    {{"DSD ", 0, ""}, "a DSF file"},
    {{".snd", 0, ""}, "an AU file"},
    {{"wvpk", 0, ""}, "a WavPack file"},
    {{"MAC ", 0, ""}, "a Monkey's Audio file"},
    {{"TTA1", 0, ""}, "a True Audio file"},
    {{"#!AMR", 0, ""}, "an AMR file"},
    {{"MThd", 0, ""}, "a MIDI file, which holds no samples"},
    {{"Creative Voice", 0, ""}, "a VOC file"},
    {{"NIST_1A", 0, ""}, "a SPHERE file"},
    {{"Extended Instru", 0, ""}, "an XI file"},
};

/* MPEG audio without a tag: eleven bits of sync, then a version, a layer and a bit rate
 * that are not the reserved ones (ISO/IEC 11172-3; from memory). Layer 0 is AAC in ADTS.
 */
static const char *mpeg_name(const unsigned char *head)
{
    if (head[0] != 0xFF || (head[1] & 0xE0) != 0xE0)
        return NULL;
    int version = head[1] >> 3 & 3, layer = head[1] >> 1 & 3;
    if (version == 1)
        return NULL;
    if (layer == 0)
        return (head[1] & 0xF0) == 0xF0 ? "an AAC stream (ADTS)" : NULL;
    if (head[2] >> 4 == 15 || (head[2] >> 2 & 3) == 3)
        return NULL;
    return "an MPEG audio stream (MP3)";
}

bool container_sniff(int descriptor, enum container *ret, struct problem *problem)
{
    char head[HEAD_BYTES + 1] = {0};
    if (!input_read_at(descriptor, 0, head, HEAD_BYTES))
        return problem_set(problem, PROBLEM_NOT_AUDIO, NULL,
                           "The file has fewer than %d bytes, too few for a recording; "
                           "send a " READABLE " file.",
                           HEAD_BYTES);
    for (size_t i = 0; i < sizeof readable / sizeof readable[0]; i++) {
        if (matches(head, &readable[i].magic)) {
            *ret = readable[i].container;
            return true;
        }
    }
    const char *name = mpeg_name((const unsigned char *)head);
    for (size_t i = 0; !name && i < sizeof known / sizeof known[0]; i++)
        if (matches(head, &known[i].magic))
            name = known[i].name;
    if (name)
        return problem_set(problem, PROBLEM_UNSUPPORTED_FORMAT, NULL,
                           "This is %s; send the recording as " READABLE ".", name);
    return problem_set(problem, PROBLEM_NOT_AUDIO, NULL,
                       "The first bytes are those of no recording; send a " READABLE
                       " file.");
}
