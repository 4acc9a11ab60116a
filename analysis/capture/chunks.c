#include "analysis/capture/chunks.h"

#include <assert.h>
#include <string.h>

#include "analysis/capture/input.h"

struct chunks_layout {
    int head_bytes; /* before the first chunk */
    int name_bytes; /* a FourCC, or a GUID that begins with one */
    int size_bytes;
    bool big_endian;
    bool size_counts_head; /* W64: the size includes name and size */
    int alignment;
};

static const struct chunks_layout layouts[] = {
    [CONTAINER_WAV] = {12, 4, 4, false, false, 2},
    [CONTAINER_RF64] = {12, 4, 4, false, false, 2},
    [CONTAINER_BW64] = {12, 4, 4, false, false, 2},
    [CONTAINER_W64] = {40, 16, 8, false, true, 8},
    [CONTAINER_AIFF] = {12, 4, 4, true, false, 2},
    [CONTAINER_CAF] = {8, 4, 8, true, false, 1},
};

/* Names that are met beside the audio; they decide where sizes alone leave it open. */
static const char usual_names[][5] = {
    "fmt ", "data", "fact", "ds64", "LIST", "bext", "iXML", "axml", "chna",
    "cue ", "smpl", "inst", "plst", "PEAK", "JUNK", "junk", "PAD ", "FLLR",
    "id3 ", "ID3 ", "_PMX", "aXML", "cart", "levl", "link", "umid", "r64m",
    "DISP", "acid", "strc", "COMM", "SSND", "FVER", "NAME", "AUTH", "(c) ",
    "ANNO", "COMT", "MARK", "INST", "APPL", "MIDI", "CHAN", "desc", "free",
    "info", "chan", "pakt", "mark", "uuid", "summ",
};

uint64_t chunks_little(const unsigned char *bytes, int count)
{
    uint64_t value = 0;
    while (count-- > 0)
        value = value << 8 | bytes[count];
    return value;
}

uint64_t chunks_big(const unsigned char *bytes, int count)
{
    uint64_t value = 0;
    for (int i = 0; i < count; i++)
        value = value << 8 | bytes[i];
    return value;
}

struct chunks chunks_begin(int descriptor, enum container container, int64_t file_bytes)
{
    assert(container != CONTAINER_FLAC);
    const struct chunks_layout *layout = &layouts[container];
    return (struct chunks){
        .descriptor = descriptor,
        .file_bytes = file_bytes,
        .layout = layout,
        .offset = layout->head_bytes,
    };
}

/* A form inside a form is another file, appended. */
static bool is_name(const unsigned char *name)
{
    for (int i = 0; i < 4; i++)
        if (name[i] < 32 || name[i] > 126)
            return false;
    return memcmp(name, "RIFF", 4) != 0 && memcmp(name, "RF64", 4) != 0 &&
           memcmp(name, "FORM", 4) != 0;
}

static bool is_usual(const struct chunk *chunk)
{
    for (size_t i = 0; i < sizeof usual_names / sizeof usual_names[0]; i++)
        if (strcmp(chunk->name, usual_names[i]) == 0)
            return true;
    return false;
}

static int head_bytes(const struct chunks_layout *layout)
{
    return layout->name_bytes + layout->size_bytes;
}

static bool parse_head(const struct chunks_layout *layout, const unsigned char *head,
                       int64_t offset, struct chunk *ret)
{
    if (!is_name(head))
        return false;
    const unsigned char *size = head + layout->name_bytes;
    uint64_t bytes = layout->big_endian ? chunks_big(size, layout->size_bytes)
                                        : chunks_little(size, layout->size_bytes);
    uint64_t counted = layout->size_counts_head ? (uint64_t)head_bytes(layout) : 0;
    *ret = (struct chunk){
        .head = offset,
        .content = offset + head_bytes(layout),
        .bytes = bytes < counted || bytes > INT64_MAX ? -1 : (int64_t)(bytes - counted),
    };
    memcpy(ret->name, head, 4);
    return true;
}

static bool read_chunk(const struct chunks *chunks, int64_t offset, struct chunk *ret)
{
    unsigned char head[24];
    int bytes = head_bytes(chunks->layout);
    return offset <= chunks->file_bytes - bytes &&
           input_read_at(chunks->descriptor, offset, head, (size_t)bytes) &&
           parse_head(chunks->layout, head, offset, ret);
}

bool chunks_next(struct chunks *chunks, struct chunk *ret)
{
    return chunks->count < CHUNKS_MOST && read_chunk(chunks, chunks->offset, ret);
}

bool chunks_holds(const struct chunks *chunks, const struct chunk *chunk)
{
    return chunk->bytes >= 0 && chunk->bytes <= chunks->file_bytes - chunk->content;
}

/* How much speaks for a chunk at `offset`: 2 for a usual name, 1 for any that fits. */
static int likelihood(const struct chunks *chunks, int64_t offset)
{
    struct chunk chunk;
    if (!read_chunk(chunks, offset, &chunk))
        return 0;
    return is_usual(&chunk) ? 2 : chunks_holds(chunks, &chunk);
}

static bool lacks_pad(const struct chunks *chunks, int64_t end)
{
    return chunks->layout->alignment == 2 && end % 2 != 0 &&
           likelihood(chunks, end) > likelihood(chunks, end + 1);
}

/* The next multiple of the alignment, at most the end of the file. */
static int64_t padded(const struct chunks *chunks, int64_t end)
{
    int alignment = chunks->layout->alignment;
    int64_t pad = (alignment - end % alignment) % alignment;
    int64_t left = chunks->file_bytes - end;
    return end + (pad < left ? pad : left);
}

static int64_t behind(const struct chunks *chunks, int64_t end)
{
    return lacks_pad(chunks, end) ? end : padded(chunks, end);
}

void chunks_pass(struct chunks *chunks, const struct chunk *chunk)
{
    assert(chunks_holds(chunks, chunk));
    int64_t end = chunk->content + chunk->bytes;
    if (!chunks->pad_missing && lacks_pad(chunks, end)) {
        chunks->pad_missing = true;
        chunks->unpadded = *chunk;
    }
    chunks->offset = behind(chunks, end);
    chunks->count++;
}

bool chunks_read(const struct chunks *chunks, const struct chunk *chunk, void *bytes,
                 size_t count)
{
    return chunk->bytes >= (int64_t)count &&
           input_read_at(chunks->descriptor, chunk->content, bytes, count);
}

bool chunks_follow(const struct chunks *chunks, int64_t end)
{
    struct chunks ahead = *chunks;
    struct chunk chunk;
    ahead.count = 0;
    ahead.offset = behind(chunks, end);
    if (likelihood(chunks, ahead.offset) == 2)
        return true;
    while (ahead.offset < chunks->file_bytes) {
        if (!chunks_next(&ahead, &chunk) || !chunks_holds(&ahead, &chunk))
            return false;
        chunks_pass(&ahead, &chunk);
    }
    return true;
}

int64_t chunks_tail(const struct chunks *chunks, int64_t from)
{
    unsigned char bytes[CHUNKS_TAIL_BYTES];
    bool reaches_end[CHUNKS_TAIL_BYTES + 1] = {0};
    int64_t left = chunks->file_bytes - from;
    int64_t count = left < CHUNKS_TAIL_BYTES ? left : CHUNKS_TAIL_BYTES;
    int64_t base = chunks->file_bytes - count, tail = chunks->file_bytes;
    if (!input_read_at(chunks->descriptor, base, bytes, (size_t)count))
        return tail;
    reaches_end[count] = true;
    for (int64_t i = count - head_bytes(chunks->layout); i >= 0; i--) {
        struct chunk chunk;
        if (!parse_head(chunks->layout, bytes + i, base + i, &chunk) ||
            !chunks_holds(chunks, &chunk))
            continue;
        int64_t end = chunk.content + chunk.bytes;
        reaches_end[i] =
            reaches_end[padded(chunks, end) - base] || reaches_end[end - base];
        if (reaches_end[i] && is_usual(&chunk))
            tail = base + i;
    }
    return tail;
}

bool chunks_are_narrow(const struct chunks *chunks)
{
    return chunks->layout->size_bytes == 4;
}
