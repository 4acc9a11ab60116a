#include "analysis/capture/walk.h"

#include <stdarg.h>
#include <stdio.h>

#include "analysis/capture/aiff.h"
#include "analysis/capture/caf.h"
#include "analysis/capture/flac_header.h"
#include "analysis/capture/riff.h"

void walk_warn(struct walk *walk, const char *code, const char *format, ...)
{
    if (walk->warning_count == WALK_MAX_WARNINGS)
        return;
    struct capture_warning *warning = &walk->warnings[walk->warning_count++];
    va_list arguments;
    va_start(arguments, format);
    warning->code = code;
    vsnprintf(warning->message, sizeof warning->message, format, arguments);
    va_end(arguments);
}

bool walk_refuse(struct problem *problem, const char *format, ...)
{
    char what[300];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(what, sizeof what, format, arguments);
    va_end(arguments);
    return problem_set(problem, PROBLEM_UNSUPPORTED_FORMAT, "encoding",
                       "The samples are %s; send PCM of 16, 24 or 32 bits, or floats of "
                       "32 or 64 bits.",
                       what);
}

bool walk_take_form(struct walk *walk, const struct walk_form *form,
                    struct problem *problem)
{
    const struct walk_form *first = &walk->form;
    if (walk->found &&
        (first->channels != form->channels ||
         !(first->sample_rate_hz == form->sample_rate_hz) ||
         first->sample_bytes != form->sample_bytes || first->is_float != form->is_float ||
         first->big_endian != form->big_endian))
        return walk_refuse(
            problem,
            "told by two format chunks that differ: %lld and %lld channels, %.10g and "
            "%.10g Hz, %s of %d and %s of %d bytes",
            (long long)first->channels, (long long)form->channels, first->sample_rate_hz,
            form->sample_rate_hz, first->is_float ? "floats" : "PCM", first->sample_bytes,
            form->is_float ? "floats" : "PCM", form->sample_bytes);
    walk->found = true;
    walk->form = *form;
    return true;
}

void walk_take_audio(struct walk *walk, const struct chunks *chunks, struct chunk *chunk,
                     int64_t skipped)
{
    if (walk->extent.offset > 0) {
        if (!walk->has_second_audio)
            walk_warn(walk, "trailing_bytes",
                      "A second %s chunk of %lld bytes at byte %lld is not analysed; if "
                      "it belongs to the recording, write both into one.",
                      chunk->name, (long long)chunk->bytes, (long long)chunk->head);
        walk->has_second_audio = true;
        return;
    }
    int64_t offset = chunk->content + skipped;
    int64_t declared = chunk->bytes < skipped ? -1 : chunk->bytes - skipped;
    if (offset > chunks->file_bytes)
        offset = chunks->file_bytes;
    walk->extent = extent_settle(chunks, offset, declared);
    chunk->bytes = offset - chunk->content + walk->extent.bytes;
}

static int64_t frame_bytes(const struct walk *walk)
{
    return walk->form.channels * walk->form.sample_bytes;
}

static bool check_form(const struct walk_form *form, struct problem *problem)
{
    if (form->channels < 1 || form->channels > CAPTURE_MAX_CHANNELS)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "channels",
                           "The recording has %lld channels; 1 to %d can be measured.",
                           (long long)form->channels, CAPTURE_MAX_CHANNELS);
    double rate = form->sample_rate_hz;
    if (!(rate >= CAPTURE_MIN_SAMPLE_RATE_HZ && rate <= CAPTURE_MAX_SAMPLE_RATE_HZ))
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
                           "The sample rate is %.10g Hz; %d to %d Hz can be measured.",
                           rate, CAPTURE_MIN_SAMPLE_RATE_HZ, CAPTURE_MAX_SAMPLE_RATE_HZ);
    if (rate != (double)(int)rate)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "sample_rate_hz",
                           "The sample rate is %.10g Hz; only whole numbers of hertz can "
                           "be measured.",
                           rate);
    return true;
}

static bool check_frames(const struct walk *walk, int64_t frames, struct problem *problem)
{
    double rate = walk->form.sample_rate_hz, limit = rate * CAPTURE_MAX_DURATION_S;
    if ((double)frames > limit)
        return problem_set(
            problem, PROBLEM_OUT_OF_RANGE, "frames",
            "A recording of %lld frames, %.1f h at %.10g Hz, is longer than the limit of "
            "%d h (%.0f frames): send a shorter one.",
            (long long)frames, (double)frames / rate / 3600, rate,
            CAPTURE_MAX_DURATION_S / 3600, limit);
    if (frames == 0)
        return problem_set(problem, PROBLEM_NO_AUDIO, NULL,
                           "The file holds no frame of audio; record again, and let the "
                           "recorder finish its file.");
    return true;
}

/* COMM of AIFF tells the frames beside the size of the sound's chunk. Where the size was
 * a placeholder, it is COMM that counts; else the smaller of both. */
static void settle_aiff(struct walk *walk)
{
    struct extent *extent = &walk->extent;
    int64_t told = walk->declared_frames * frame_bytes(walk);
    if (told <= 0) {
        if (extent->kind == EXTENT_AS_DECLARED && extent->bytes > 0)
            extent->kind = EXTENT_FROM_FILE;
    } else if (extent->kind == EXTENT_FROM_FILE || extent->kind == EXTENT_AS_DECLARED) {
        extent->kind = told > extent->bytes ? EXTENT_TRUNCATED : EXTENT_AS_DECLARED;
        extent->declared_bytes = told;
        if (told < extent->bytes) {
            walk_warn(walk, "trailing_bytes",
                      "COMM declares %lld frames, but the sound chunk has room for %lld; "
                      "%lld bytes behind them are not analysed.",
                      (long long)walk->declared_frames,
                      (long long)(extent->bytes / frame_bytes(walk)),
                      (long long)(extent->bytes - told));
            extent->bytes = told;
        }
    }
}

static void warn_length(struct walk *walk)
{
    const struct extent *extent = &walk->extent;
    double rate = walk->form.sample_rate_hz;
    int64_t declared = extent->declared_bytes / frame_bytes(walk);
    double duration_s = (double)walk->frames / rate;
    if (extent->kind == EXTENT_TRUNCATED)
        walk_warn(walk, "truncated",
                  "The header declares %lld frames (%.6g s, %lld bytes), but the file "
                  "holds only %lld (%.6g s, %lld bytes): it was cut off. What is there "
                  "is analysed; send the whole file, or record again.",
                  (long long)declared, (double)declared / rate,
                  (long long)extent->declared_bytes, (long long)walk->frames, duration_s,
                  (long long)extent->bytes);
    if (extent->kind == EXTENT_FROM_FILE)
        walk_warn(walk, "length_from_file",
                  "The header tells no length, as recorders leave it that write to a "
                  "pipe or are stopped too early; it was taken from the file: %lld "
                  "frames (%.6g s). Compare with what you recorded: a missing end "
                  "cannot be told.",
                  (long long)walk->frames, duration_s);
    if (extent->kind == EXTENT_WRAPPED)
        walk_warn(walk, "size_wrapped",
                  "The header declares %lld bytes of audio, but the file holds %lld "
                  "(%lld frames, %.6g s): the size went beyond 4 GiB and began again at "
                  "0. All of it is analysed; record as RF64, W64 or CAF.",
                  (long long)extent->declared_bytes, (long long)extent->bytes,
                  (long long)walk->frames, duration_s);
}

static void warn_rest(struct walk *walk, const struct chunks *chunks)
{
    const struct chunk *unpadded = &chunks->unpadded;
    int64_t partial = walk->extent.bytes % frame_bytes(walk);
    int64_t left = chunks->file_bytes - chunks->offset;
    if (partial > 0 && walk->extent.kind != EXTENT_TRUNCATED)
        walk_warn(walk, "trailing_bytes",
                  "The last %lld bytes of the audio make no whole frame of %lld bytes "
                  "and are left out; check the end of the recording.",
                  (long long)partial, (long long)frame_bytes(walk));
    if (left > 0)
        walk_warn(walk, "trailing_bytes",
                  "The last %lld bytes of the file, from byte %lld on, are neither audio "
                  "nor a whole chunk and are not analysed; if the recording should be "
                  "longer, record again.",
                  (long long)left, (long long)chunks->offset);
    if (chunks->pad_missing)
        walk_warn(walk, "riff_pad_missing",
                  "The %s chunk at byte %lld has an odd size, %lld bytes, and lacks the "
                  "pad byte that should follow. It was read rightly here, but other "
                  "programs may misread it: write the file with another program.",
                  unpadded->name, (long long)unpadded->head, (long long)unpadded->bytes);
}

static bool walk_chunks(int descriptor, enum container container, int64_t file_bytes,
                        struct walk *walk, struct problem *problem)
{
    struct chunks chunks = chunks_begin(descriptor, container, file_bytes);
    bool good = container == CONTAINER_AIFF ? aiff_walk(&chunks, walk, problem)
                : container == CONTAINER_CAF
                    ? caf_walk(&chunks, walk, problem)
                    : riff_walk(&chunks, container, walk, problem);
    if (!good)
        return false;
    if (!walk->found || walk->extent.offset == 0)
        return problem_set(
            problem, PROBLEM_NOT_AUDIO, NULL,
            "This %s file lacks the chunk that %s: of %lld bytes, %lld could be followed "
            "from chunk to chunk. Send it anew, or record again.",
            container_name(container),
            walk->found ? "holds the audio" : "describes the audio",
            (long long)file_bytes, (long long)chunks.offset);
    if (!check_form(&walk->form, problem))
        return false;
    if (container == CONTAINER_AIFF)
        settle_aiff(walk);
    walk->frames = walk->extent.bytes / frame_bytes(walk);
    if ((walk->extent.kind == EXTENT_TRUNCATED &&
         !check_frames(walk, walk->extent.declared_bytes / frame_bytes(walk), problem)) ||
        !check_frames(walk, walk->frames, problem))
        return false;
    warn_length(walk);
    warn_rest(walk, &chunks);
    return true;
}

static bool walk_flac(int descriptor, int64_t file_bytes, struct walk *walk,
                      struct problem *problem)
{
    if (!flac_header_walk(descriptor, file_bytes, walk, problem) ||
        !check_form(&walk->form, problem) ||
        !check_frames(walk, walk->declared_frames, problem))
        return false;
    walk->frames = walk->declared_frames;
    if (walk->frames < 0)
        walk_warn(walk, "length_from_file",
                  "The header tells no length, as encoders leave it that write to a "
                  "pipe; it is known once all has been read. Compare with what you "
                  "recorded: a missing end cannot be told.");
    return true;
}

bool walk_file(int descriptor, enum container container, int64_t file_bytes,
               struct walk *ret, struct problem *problem)
{
    struct walk walk = {.declared_frames = -1};
    bool good = container == CONTAINER_FLAC
                    ? walk_flac(descriptor, file_bytes, &walk, problem)
                    : walk_chunks(descriptor, container, file_bytes, &walk, problem);
    if (good)
        *ret = walk;
    return good;
}
