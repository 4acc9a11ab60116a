#include "analysis/capture/flac_frames.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include <FLAC/stream_decoder.h>

#include "analysis/capture/input.h"

/* No FLAC frame is shorter or holds more: 4 bytes of head, a number, a checksum, 3 for a
 * constant of at least 9 bits, 2 for the other checksum (RFC 9639). */
enum { SHORTEST_BYTES = 11, MOST_FRAMES = 65535 };

struct flac_frames {
    struct input input;
    struct walk_form form;
    int64_t declared_frames;
    FLAC__StreamDecoder *decoder; /* NULL: to be rewound */
    struct flac_frames_block block;
    double *samples; /* [capacity] frames */
    int64_t capacity;
    int64_t expected;     /* where the next one should begin */
    uint64_t taken_bytes; /* of the file, up to the end of the last one taken */
    /* What the callbacks met; `damaged` before they met the end of the file. */
    bool wrote, took, met_end, damaged, no_memory;
    bool sum_is_lost;
    FLAC__FrameHeader changed; /* channels 0: nothing changed */
};

static FLAC__StreamDecoderReadStatus read_bytes(const FLAC__StreamDecoder *decoder,
                                                FLAC__byte *bytes, size_t *count,
                                                void *context)
{
    struct flac_frames *frames = context;
    (void)decoder;
    *count = (size_t)input_read(&frames->input, bytes, (int64_t)*count);
    if (*count > 0)
        return FLAC__STREAM_DECODER_READ_STATUS_CONTINUE;
    frames->met_end = true;
    return frames->input.error ? FLAC__STREAM_DECODER_READ_STATUS_ABORT
                               : FLAC__STREAM_DECODER_READ_STATUS_END_OF_STREAM;
}

static FLAC__StreamDecoderSeekStatus seek_byte(const FLAC__StreamDecoder *decoder,
                                               FLAC__uint64 offset, void *context)
{
    struct flac_frames *frames = context;
    (void)decoder;
    if (offset > (uint64_t)frames->input.bytes)
        return FLAC__STREAM_DECODER_SEEK_STATUS_ERROR;
    frames->input.position = (int64_t)offset;
    return FLAC__STREAM_DECODER_SEEK_STATUS_OK;
}

static FLAC__StreamDecoderTellStatus tell_byte(const FLAC__StreamDecoder *decoder,
                                               FLAC__uint64 *ret, void *context)
{
    (void)decoder;
    *ret = (uint64_t)((struct flac_frames *)context)->input.position;
    return FLAC__STREAM_DECODER_TELL_STATUS_OK;
}

static FLAC__StreamDecoderLengthStatus tell_length(const FLAC__StreamDecoder *decoder,
                                                   FLAC__uint64 *ret, void *context)
{
    (void)decoder;
    *ret = (uint64_t)((struct flac_frames *)context)->input.bytes;
    return FLAC__STREAM_DECODER_LENGTH_STATUS_OK;
}

static FLAC__bool is_at_end(const FLAC__StreamDecoder *decoder, void *context)
{
    struct flac_frames *frames = context;
    (void)decoder;
    bool at_end = frames->input.position >= frames->input.bytes;
    frames->met_end = frames->met_end || at_end;
    return at_end;
}

/* At the end of a file that was cut off libFLAC goes back and searches what it had taken
 * for a frame: that is no damage. */
static void note_error(const FLAC__StreamDecoder *decoder,
                       FLAC__StreamDecoderErrorStatus status, void *context)
{
    struct flac_frames *frames = context;
    (void)decoder;
    (void)status;
    if (!frames->met_end)
        frames->damaged = true;
}

int64_t flac_frames_room(const struct flac_frames *frames)
{
    FLAC__uint64 here;
    if (!FLAC__stream_decoder_get_decode_position(frames->decoder, &here))
        here = (uint64_t)frames->input.position;
    uint64_t bytes = here > frames->taken_bytes ? here - frames->taken_bytes : 0;
    return (int64_t)(bytes / SHORTEST_BYTES) * MOST_FRAMES;
}

static bool differs(const struct flac_frames *frames, const FLAC__FrameHeader *header)
{
    const struct walk_form *form = &frames->form;
    return header->channels != form->channels ||
           header->sample_rate != (unsigned)form->sample_rate_hz ||
           header->bits_per_sample != (unsigned)form->bits;
}

static bool make_room(struct flac_frames *frames, int64_t count)
{
    if (count <= frames->capacity)
        return true;
    free(frames->samples);
    frames->capacity = 0;
    frames->samples = malloc(sizeof(double) * (size_t)(count * frames->form.channels));
    if (frames->samples)
        frames->capacity = count;
    frames->no_memory = !frames->samples;
    return frames->samples;
}

static void take(struct flac_frames *frames, const FLAC__int32 *const *samples,
                 int64_t first, int64_t count)
{
    int64_t channels = frames->form.channels, declared = frames->declared_frames;
    double scale = 1.0 / (double)(1LL << (frames->form.bits - 1));
    for (int64_t c = 0; c < channels; c++)
        for (int64_t n = 0; n < count; n++)
            frames->samples[n * channels + c] = samples[c][n] * scale;
    frames->block.samples = frames->samples;
    frames->block.first = first;
    frames->block.frames =
        declared >= 0 && count > declared - first ? declared - first : count;
    frames->took = true;
}

/* Only frames with right checksums come here, and silence: libFLAC puts in up to 5 s of
 * it where frames are missing, in one call with the frame behind. So the last one of a
 * call counts. */
static FLAC__StreamDecoderWriteStatus take_frame(const FLAC__StreamDecoder *decoder,
                                                 const FLAC__Frame *frame,
                                                 const FLAC__int32 *const *samples,
                                                 void *context)
{
    struct flac_frames *frames = context;
    const FLAC__FrameHeader *header = &frame->header;
    int64_t first = (int64_t)header->number.sample_number;
    bool is_beyond = frames->declared_frames >= 0 && first >= frames->declared_frames;
    (void)decoder;
    frames->wrote = true;
    frames->took = false;
    if (differs(frames, header)) {
        frames->changed = *header;
        return FLAC__STREAM_DECODER_WRITE_STATUS_ABORT;
    }
    if (first < frames->expected || is_beyond ||
        first - frames->expected > flac_frames_room(frames)) {
        frames->damaged = true;
        return FLAC__STREAM_DECODER_WRITE_STATUS_CONTINUE;
    }
    if (!make_room(frames, header->blocksize))
        return FLAC__STREAM_DECODER_WRITE_STATUS_ABORT;
    take(frames, samples, first, header->blocksize);
    return FLAC__STREAM_DECODER_WRITE_STATUS_CONTINUE;
}

/* Some players append a tag of 128 bytes that begins with these letters (ID3v1; from
 * memory). */
static void leave_out_tag(struct input *input)
{
    enum { TAG_BYTES = 128 };
    char head[3];
    if (input->bytes > TAG_BYTES &&
        input_read_at(input->descriptor, input->bytes - TAG_BYTES, head, sizeof head) &&
        memcmp(head, "TAG", sizeof head) == 0)
        input->bytes -= TAG_BYTES;
}

struct flac_frames *flac_frames_new(int descriptor, int64_t file_bytes,
                                    const struct walk_form *form, int64_t declared_frames)
{
    struct flac_frames *frames = calloc(1, sizeof *frames);
    if (!frames)
        return NULL;
    frames->input = (struct input){.descriptor = descriptor, .bytes = file_bytes};
    leave_out_tag(&frames->input);
    frames->form = *form;
    frames->declared_frames = declared_frames;
    return frames;
}

static void drop_decoder(struct flac_frames *frames)
{
    if (frames->decoder)
        FLAC__stream_decoder_delete(frames->decoder);
    frames->decoder = NULL;
}

void flac_frames_free(struct flac_frames *frames)
{
    if (!frames)
        return;
    drop_decoder(frames);
    free(frames->samples);
    free(frames);
}

static bool no_memory(struct problem *problem)
{
    return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                       "Not enough memory to read the recording.");
}

bool flac_frames_rewind(struct flac_frames *frames, bool with_sum,
                        struct problem *problem)
{
    drop_decoder(frames);
    frames->input.position = 0;
    frames->block = (struct flac_frames_block){0};
    frames->taken_bytes = 0;
    frames->damaged = frames->no_memory = frames->sum_is_lost = false;
    frames->changed.channels = 0;
    frames->decoder = FLAC__stream_decoder_new();
    if (!frames->decoder)
        return no_memory(problem);
    FLAC__stream_decoder_set_md5_checking(frames->decoder, with_sum);
    if (FLAC__stream_decoder_init_stream(
            frames->decoder, read_bytes, seek_byte, tell_byte, tell_length, is_at_end,
            take_frame, NULL, note_error, frames) == FLAC__STREAM_DECODER_INIT_STATUS_OK)
        return true;
    drop_decoder(frames);
    return no_memory(problem);
}

static bool has_changed(const struct flac_frames *frames, struct problem *problem)
{
    const FLAC__FrameHeader *header = &frames->changed;
    return problem_set(
        problem, PROBLEM_NOT_MEASURABLE, NULL,
        "At frame %llu the recording changes from %lld channels of %d bits at %.0f Hz to "
        "%u channels of %u bits at %u Hz; cut it there and send the parts.",
        (unsigned long long)header->number.sample_number,
        (long long)frames->form.channels, frames->form.bits, frames->form.sample_rate_hz,
        header->channels, header->bits_per_sample, header->sample_rate);
}

/* Has libFLAC go on at that byte without a last frame: it then puts in no silence. */
static bool begin_anew(struct flac_frames *frames, uint64_t position,
                       struct problem *problem)
{
    frames->sum_is_lost = true;
    frames->input.position = (int64_t)position;
    return FLAC__stream_decoder_flush(frames->decoder) || no_memory(problem);
}

/* A frame that goes backwards must not be libFLAC's last one. */
static bool forget_frame(struct flac_frames *frames, struct problem *problem)
{
    FLAC__uint64 here;
    return !FLAC__stream_decoder_get_decode_position(frames->decoder, &here) ||
           begin_anew(frames, here, problem);
}

static bool take_next(struct flac_frames *frames, struct problem *problem)
{
    bool going = true;
    frames->took = frames->met_end = frames->damaged = false;
    while (going && !frames->took) {
        frames->wrote = false;
        going = FLAC__stream_decoder_process_single(frames->decoder) &&
                FLAC__stream_decoder_get_state(frames->decoder) !=
                    FLAC__STREAM_DECODER_END_OF_STREAM;
        if (frames->changed.channels > 0)
            return has_changed(frames, problem);
        if (frames->input.error)
            return problem_set(problem, PROBLEM_IO, NULL,
                               "Reading the recording failed: %s; try again.",
                               strerror(frames->input.error));
        if (frames->no_memory)
            return no_memory(problem);
        if (going && frames->wrote && !frames->took && !forget_frame(frames, problem))
            return false;
    }
    return true;
}

/* Where frames are missing libFLAC puts in silence, up to 5 s, and then gives silence for
 * the frame behind them too (1.4.2). So behind a gap it begins anew where the last frame
 * ended. */
bool flac_frames_next(struct flac_frames *frames, int64_t expected, bool *ret_taken,
                      struct problem *problem)
{
    assert(frames->decoder);
    frames->expected = expected;
    if (!take_next(frames, problem))
        return false;
    if (frames->took && frames->block.first > expected && frames->taken_bytes > 0) {
        if (!begin_anew(frames, frames->taken_bytes, problem) ||
            !take_next(frames, problem))
            return false;
    }
    if (frames->took)
        FLAC__stream_decoder_get_decode_position(frames->decoder, &frames->taken_bytes);
    *ret_taken = frames->took;
    return true;
}

/* While libFLAC searches, damage goes by in silence and comes as zeros, so zeros are not
 * trusted. */
bool flac_frames_jump(struct flac_frames *frames, int64_t frame)
{
    assert(frames->decoder);
    frames->expected = frame;
    frames->took = frames->damaged = false;
    bool good = FLAC__stream_decoder_seek_absolute(frames->decoder, (uint64_t)frame) &&
                frames->took && frames->block.first == frame;
    frames->changed.channels = 0;
    FLAC__stream_decoder_get_decode_position(frames->decoder, &frames->taken_bytes);
    for (int64_t i = 0; good && i < frames->block.frames * frames->form.channels; i++)
        if (frames->samples[i] != 0)
            return true;
    return false;
}

const struct flac_frames_block *flac_frames_block(const struct flac_frames *frames)
{
    return &frames->block;
}

bool flac_frames_are_damaged(const struct flac_frames *frames)
{
    return frames->damaged;
}

bool flac_frames_sum_is_right(struct flac_frames *frames)
{
    bool right = FLAC__stream_decoder_finish(frames->decoder) && !frames->sum_is_lost;
    drop_decoder(frames);
    return right;
}
