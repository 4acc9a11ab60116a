#include "analysis/capture/flac_reader.h"

#include <stdlib.h>
#include <string.h>

#include "analysis/capture/flac_frames.h"

struct flac_reader {
    struct flac_frames *frames;
    struct walk_form form;
    int64_t file_bytes, declared_frames; /* −1: unknown */
    bool verifies;
    bool begun, from_start; /* from_start: nothing was skipped since frame 0 */
    bool taken_any;
    int64_t position;   /* of the next frame given */
    int64_t first, end; /* what is at hand: silence up to `first`, then the block */
    struct flac_reader_findings findings;
};

struct flac_reader *flac_reader_new(int descriptor, int64_t file_bytes,
                                    const struct walk *walk)
{
    struct flac_reader *reader = calloc(1, sizeof *reader);
    if (!reader)
        return NULL;
    *reader = (struct flac_reader){
        .frames =
            flac_frames_new(descriptor, file_bytes, &walk->form, walk->declared_frames),
        .form = walk->form,
        .file_bytes = file_bytes,
        .declared_frames = walk->declared_frames,
        .findings.end = -1,
        .findings.md5 = walk->lacks_md5 ? CAPTURE_MD5_ABSENT : CAPTURE_MD5_UNREAD,
    };
    if (reader->frames)
        return reader;
    free(reader);
    return NULL;
}

void flac_reader_free(struct flac_reader *reader)
{
    if (!reader)
        return;
    flac_frames_free(reader->frames);
    free(reader);
}

void flac_reader_verify(struct flac_reader *reader)
{
    reader->verifies = true;
}

const struct flac_reader_findings *flac_reader_findings(const struct flac_reader *reader)
{
    return &reader->findings;
}

static bool rewind_reader(struct flac_reader *reader, struct problem *problem)
{
    bool with_sum = reader->verifies && reader->findings.md5 == CAPTURE_MD5_UNREAD;
    reader->position = reader->first = reader->end = 0;
    reader->begun = flac_frames_rewind(reader->frames, with_sum, problem);
    reader->from_start = true;
    return reader->begun;
}

/* The last frame is behind us. An end that is known stays: in damage libFLAC may find
 * less or more from elsewhere. */
static void meet_end(struct flac_reader *reader)
{
    struct flac_reader_findings *findings = &reader->findings;
    if (findings->end < 0)
        findings->end = reader->end;
    if (!reader->verifies || !reader->from_start || findings->md5 != CAPTURE_MD5_UNREAD)
        return;
    findings->md5 = flac_frames_sum_is_right(reader->frames) ? CAPTURE_MD5_VERIFIED
                                                             : CAPTURE_MD5_MISMATCH;
    reader->begun = false;
}

/* libFLAC gives no more. Where it ends in damage, silence stands in for what is missing,
 * as far as the bytes could have reached. */
static bool give_up(struct flac_reader *reader, struct problem *problem)
{
    if (!reader->taken_any)
        return problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Not one frame of this flac file of %lld bytes can be decoded; "
            "send it anew, or record again.",
            (long long)reader->file_bytes);
    struct flac_reader_findings *findings = &reader->findings;
    int64_t lost = reader->declared_frames - reader->position;
    int64_t most = flac_frames_room(reader->frames);
    if (findings->end >= 0) {
        reader->end = findings->end;
    } else {
        findings->ends_unreadable = flac_frames_are_damaged(reader->frames);
        if (findings->ends_unreadable && lost > 0)
            reader->end = reader->position + (lost < most ? lost : most);
    }
    reader->first = reader->end;
    meet_end(reader);
    return true;
}

static bool is_too_long(const struct flac_reader *reader, struct problem *problem)
{
    double limit = reader->form.sample_rate_hz * CAPTURE_MAX_DURATION_S;
    if ((double)reader->end <= limit)
        return false;
    problem_set(problem, PROBLEM_OUT_OF_RANGE, "frames",
                "The recording has more than %.0f frames, %d h at %.0f Hz, which is the "
                "limit: send a shorter recording.",
                limit, CAPTURE_MAX_DURATION_S / 3600, reader->form.sample_rate_hz);
    return true;
}

/* Has something at hand behind the position, which is `end`; where there is nothing any
 * more, findings tell of the end. */
static bool fetch(struct flac_reader *reader, struct problem *problem)
{
    bool taken = false;
    if (reader->position == reader->declared_frames) {
        meet_end(reader);
        return true;
    }
    if (!reader->begun && !rewind_reader(reader, problem))
        return false;
    if (!flac_frames_next(reader->frames, reader->position, &taken, problem))
        return false;
    if (taken) {
        const struct flac_frames_block *block = flac_frames_block(reader->frames);
        reader->taken_any = true;
        reader->first = block->first;
        reader->end = block->first + block->frames;
    } else if (!give_up(reader, problem)) {
        return false;
    }
    if (reader->first > reader->position)
        gaps_add(&reader->findings.gaps, reader->position,
                 reader->first - reader->position);
    return !is_too_long(reader, problem);
}

/* How many frames are at hand from the position on; 0 at the end. */
static bool ready(struct flac_reader *reader, int64_t *ret, struct problem *problem)
{
    int64_t end = reader->findings.end;
    bool at_end = end >= 0 && reader->position >= end;
    if (reader->position == reader->end && !at_end && !fetch(reader, problem))
        return false;
    int64_t until = reader->position < reader->first ? reader->first : reader->end;
    end = reader->findings.end;
    *ret = (end >= 0 && until > end ? end : until) - reader->position;
    return true;
}

static void give(const struct flac_reader *reader, double *interleaved, int64_t count)
{
    int64_t channels = reader->form.channels;
    const double *samples = flac_frames_block(reader->frames)->samples;
    size_t bytes = sizeof *interleaved * (size_t)(count * channels);
    if (reader->position < reader->first)
        memset(interleaved, 0, bytes);
    else
        memcpy(interleaved, samples + (reader->position - reader->first) * channels,
               bytes);
}

bool flac_reader_read(struct flac_reader *reader, double *interleaved, int frames,
                      int *ret_frames, struct problem *problem)
{
    int64_t done = 0;
    while (done < frames) {
        int64_t count;
        if (!ready(reader, &count, problem))
            return false;
        if (count == 0)
            break;
        if (count > frames - done)
            count = frames - done;
        give(reader, interleaved + done * reader->form.channels, count);
        reader->position += count;
        done += count;
    }
    *ret_frames = (int)done;
    return true;
}

/* By going through all that comes before. */
static bool skip_to(struct flac_reader *reader, int64_t frame, struct problem *problem)
{
    if (!rewind_reader(reader, problem))
        return false;
    while (reader->position < frame) {
        int64_t count;
        if (!ready(reader, &count, problem))
            return false;
        if (count == 0)
            break;
        reader->position +=
            count < frame - reader->position ? count : frame - reader->position;
    }
    return true;
}

bool flac_reader_seek(struct flac_reader *reader, int64_t frame, struct problem *problem)
{
    if (frame >= reader->first && frame < reader->end) {
        reader->position = frame;
        return true;
    }
    if (reader->findings.end >= 0 && frame >= reader->findings.end) {
        reader->position = reader->first = reader->end = frame;
        return true;
    }
    if (!rewind_reader(reader, problem))
        return false;
    if (frame == 0)
        return true;
    reader->from_start = false;
    if (frame == reader->declared_frames || !flac_frames_jump(reader->frames, frame))
        return skip_to(reader, frame, problem);
    reader->taken_any = true;
    reader->position = reader->first = frame;
    reader->end = frame + flac_frames_block(reader->frames)->frames;
    return true;
}
