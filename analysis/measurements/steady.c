#include "analysis/measurements/steady.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/kernels.h"
#include "analysis/dsp/statistics.h"

enum { READ_FRAMES = 2048 }; /* at a time: they fit the nearest cache */

static const double block_s = 0.05;     /* also what is left out at each end */
static const double tolerance_db = 0.5; /* of the steady part about its median */
static const double slow_tolerance_db =
    3;                            /* of single blocks where half seconds are steady */
static const double louder = 100; /* times the energy makes another level the tone's */

/* What is known of one channel while reading. */
struct track {
    struct steady_block *blocks;
    double *sums; /* of the samples of each block */
    int64_t count, capacity;
    double sum, sum_squares, minimum, maximum; /* of the block being filled */
};

struct look {
    int channels, block_frames, filled;
    bool slowly; /* half seconds tell what is steady */
    struct track tracks[CAPTURE_MAX_CHANNELS];
};

static bool end_block(struct look *look, struct problem *problem)
{
    for (int c = 0; c < look->channels; c++) {
        struct track *track = &look->tracks[c];
        if (track->count == track->capacity) {
            int64_t capacity = track->capacity ? 2 * track->capacity : 256;
            struct steady_block *blocks =
                realloc(track->blocks, (size_t)capacity * sizeof *blocks);
            if (blocks)
                track->blocks = blocks;
            double *sums = realloc(track->sums, (size_t)capacity * sizeof *sums);
            if (sums)
                track->sums = sums;
            if (!blocks || !sums)
                return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                                   "No memory for the levels of %lld blocks.",
                                   (long long)capacity);
            track->capacity = capacity;
        }
        track->sums[track->count] = track->sum;
        track->blocks[track->count++] =
            (struct steady_block){(float)(track->sum_squares / look->block_frames),
                                  (float)track->minimum, (float)track->maximum};
        track->sum = track->sum_squares = 0;
        track->minimum = INFINITY;
        track->maximum = -INFINITY;
    }
    look->filled = 0;
    return true;
}

/* The block that was fetched. */
static void add_frames(struct look *look, const struct capture *capture, int count)
{
    double samples[READ_FRAMES];
    for (int c = 0; c < look->channels; c++) {
        struct track *track = &look->tracks[c];
        struct kernels_levels levels;
        capture_channel(capture, c, 0, count, samples);
        kernels_levels(samples, count, &levels);
        track->sum += levels.sum;
        track->sum_squares += levels.sum_squares;
        track->minimum = fmin(levels.minimum, track->minimum);
        track->maximum = fmax(levels.maximum, track->maximum);
    }
    look->filled += count;
}

/* Reads everything, block by block; a last block that is not whole is left out. */
static bool read_levels(struct capture *capture, const struct steady_request *request,
                        struct look *look, int64_t *ret_frames, struct problem *problem)
{
    int64_t known = capture_format(capture)->frames, frames = request->frames, at = 0;
    int64_t whole = frames >= 0 ? frames : known - request->first_frame;
    bool done = capture_seek(capture, request->first_frame, problem);
    while (done && (frames < 0 || at < frames)) {
        int want = look->block_frames - look->filled, got = 0;
        if (want > READ_FRAMES)
            want = READ_FRAMES;
        if (frames >= 0 && frames - at < want)
            want = (int)(frames - at);
        done = capture_fetch(capture, want, &got, problem);
        if (!done || got == 0)
            break;
        add_frames(look, capture, got);
        at += got;
        if (look->filled == look->block_frames)
            done = end_block(look, problem);
        if (whole > 0)
            progress_tell(request->progress, (double)at / (double)whole);
        if (got < want)
            break;
    }
    *ret_frames = at;
    return done;
}

static double level_db(const struct track *track, int64_t block, double dc, int frames)
{
    double mean = track->sums[block] / frames;
    double power = track->blocks[block].mean_square - 2 * mean * dc + dc * dc;
    return decibel_from_power(fmax(power, 1e-30));
}

struct stretch {
    int64_t first, count;
    double energy;
};

/* Levels of one channel: of each block, and of the half second around it. */
struct levels {
    float *block, *slow;
    int64_t count;
};

/* What must keep to the level: blocks; half seconds, and blocks roughly; half seconds. */
enum steadiness { FAST, SLOW, SLOW_ALONE };

static bool near(const struct levels *levels, int64_t i, double centre,
                 enum steadiness kind)
{
    if (kind == FAST)
        return fabs(levels->block[i] - centre) <= tolerance_db;
    return fabs(levels->slow[i] - centre) <= tolerance_db &&
           (kind == SLOW_ALONE || fabs(levels->block[i] - centre) <= slow_tolerance_db);
}

static struct stretch longest_near(const struct levels *levels, double centre,
                                   enum steadiness kind)
{
    struct stretch best = {0, 0, 0};
    for (int64_t i = 0; i < levels->count;) {
        if (!near(levels, i, centre, kind)) {
            i++;
            continue;
        }
        struct stretch now = {i, 0, 0};
        for (; i < levels->count && near(levels, i, centre, kind); i++, now.count++)
            now.energy += decibel_to_power(levels->block[i]);
        if (now.count > best.count)
            best = now;
    }
    return best;
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

/* The stretch about the median level, unless one about another level carries far more
 * energy: a tone in a longer silence. */
static struct stretch steady_stretch(const struct levels *levels, enum steadiness kind,
                                     double *sorted)
{
    const int quantiles = 20;
    int64_t count = levels->count;
    for (int64_t i = 0; i < count; i++)
        sorted[i] = kind == FAST ? levels->block[i] : levels->slow[i];
    qsort(sorted, (size_t)count, sizeof *sorted, ascending);
    double median = (sorted[(count - 1) / 2] + sorted[count / 2]) / 2;
    struct stretch typical = longest_near(levels, median, kind), best = typical;
    for (int q = 0; q < quantiles; q++) {
        struct stretch other =
            longest_near(levels, sorted[(2 * q + 1) * count / (2 * quantiles)], kind);
        if (other.energy > best.energy)
            best = other;
    }
    return best.energy > louder * typical.energy ? best : typical;
}

/* A low tone, or two that beat, make the level of 50 ms blocks ripple however steady they
 * are. Where the level of half seconds is steady for more than twice as long, that
 * counts. Many tones ripple anyway, and those close together fade for 50 ms. */
static struct stretch choose_stretch(const struct levels *levels, bool slowly,
                                     double *scratch)
{
    struct stretch strict = steady_stretch(levels, slowly ? SLOW : FAST, scratch);
    struct stretch loose = steady_stretch(levels, slowly ? SLOW_ALONE : SLOW, scratch);
    return loose.count > 2 * strict.count ? loose : strict;
}

/* Less its mean, such a part is nothing but rounding errors: no level, and no tone. */
static bool is_silent(const struct track *track, struct stretch part)
{
    const struct steady_block *first = &track->blocks[part.first];
    for (int64_t i = 0; i < part.count; i++)
        if (first[i].minimum < first->maximum || first[i].maximum > first->minimum)
            return false;
    return true;
}

/* Level of each block and of the half second around it. */
static void fill_levels(const struct track *track, const struct look *look, double dc,
                        struct levels *levels)
{
    enum { REACH = 5 }; /* blocks on each side */
    levels->count = track->count;
    for (int64_t i = 0; i < track->count; i++)
        levels->block[i] = (float)level_db(track, i, dc, look->block_frames);
    for (int64_t i = 0; i < track->count; i++) {
        double sum = 0;
        int blocks = 0;
        for (int64_t k = i - REACH; k <= i + REACH; k++)
            if (k >= 0 && k < track->count) {
                sum += decibel_to_power(levels->block[k]);
                blocks++;
            }
        levels->slow[i] = (float)decibel_from_power(sum / blocks);
    }
}

/* The steady part, less a block at each end. */
static struct stretch steady_part(const struct track *track, const struct look *look,
                                  struct levels *levels, double *scratch)
{
    double dc = 0;
    for (int64_t i = 0; i < track->count; i++)
        dc += track->sums[i] / look->block_frames / (double)track->count;
    fill_levels(track, look, dc, levels);
    struct stretch part = choose_stretch(levels, look->slowly, scratch);
    part.first++;
    part.count -= 2;
    return part;
}

/* The longest part between long stretches of nothing, less the blocks that hold a piece
 * of those. */
static struct stretch sounding_part(const struct track *track)
{
    const int64_t least = 10; /* blocks: half a second */
    struct stretch best = {0, 0, 0};
    for (int64_t i = 0, first = 0; i <= track->count;) {
        int64_t still = i;
        while (still < track->count &&
               track->blocks[still].minimum >= track->blocks[still].maximum)
            still++;
        bool cuts = still - i >= least;
        if (cuts || i == track->count) {
            int64_t end = cuts ? i - 1 : i;
            if (end - first > best.count)
                best = (struct stretch){first, end - first, 0};
            first = still + 1;
        }
        i = still > i ? still : i + 1;
    }
    return best;
}

/* levels NULL: all of the track is wanted. */
static void judge(const struct track *track, const struct look *look, int64_t first_frame,
                  struct levels *levels, double *scratch, struct steady_span *ret)
{
    struct stretch part = {.count = track->count};
    *ret = (struct steady_span){.silent = track->count > 0 && is_silent(track, part)};
    if (ret->silent || track->count == 0)
        return;
    part = levels ? steady_part(track, look, levels, scratch) : sounding_part(track);
    ret->silent = part.count > 0 && is_silent(track, part);
    if (part.count < 1 || ret->silent)
        return;
    ret->first_frame = first_frame + part.first * look->block_frames;
    ret->frames = part.count * look->block_frames;
    ret->minimum = INFINITY;
    ret->maximum = -INFINITY;
    for (int64_t i = part.first; i < part.first + part.count; i++) {
        const struct steady_block *block = &track->blocks[i];
        ret->dc += track->sums[i] / (double)ret->frames;
        ret->mean_square += block->mean_square / (double)part.count;
        ret->minimum = fmin(ret->minimum, block->minimum);
        ret->maximum = fmax(ret->maximum, block->maximum);
    }
}

/* The blocks of a channel that lie wholly in its clean part; *first_frame moves to the
 * first of them. */
static struct track within_clean(const struct track *track,
                                 const struct steady_clean *clean, int block_frames,
                                 int64_t *first_frame)
{
    struct track part = *track;
    if (!clean)
        return part;
    int64_t from = clean->first_frame - *first_frame, to = from + clean->frames;
    int64_t first = from > 0 ? (from + block_frames - 1) / block_frames : 0;
    int64_t end = to > 0 ? to / block_frames : 0;
    if (end > track->count)
        end = track->count;
    part.count = end > first ? end - first : 0;
    if (part.count == 0)
        return part;
    part.blocks += first;
    part.sums += first;
    *first_frame += first * block_frames;
    return part;
}

/* Gives all channels their common part when it is nearly all of each. */
static void align(struct steady_span *spans, int channels)
{
    int64_t first = 0, last = INT64_MAX, longest = 0;
    for (int c = 0; c < channels; c++) {
        if (spans[c].frames == 0)
            continue;
        int64_t end = spans[c].first_frame + spans[c].frames;
        first = spans[c].first_frame > first ? spans[c].first_frame : first;
        last = end < last ? end : last;
        longest = spans[c].frames > longest ? spans[c].frames : longest;
    }
    if (last - first < longest - longest / 10)
        return;
    for (int c = 0; c < channels; c++)
        if (spans[c].frames > 0) {
            spans[c].first_frame = first;
            spans[c].frames = last - first;
        }
}

bool steady_find(struct capture *capture, const struct steady_request *request,
                 struct steady_span *spans, int64_t *ret_frames, struct problem *problem)
{
    const struct capture_format *format = capture_format(capture);
    struct look look = {.channels = format->channels,
                        .block_frames = (int)lround(block_s * format->sample_rate_hz),
                        .slowly = request->slowly};
    struct levels levels = {0};
    double *scratch = NULL;
    bool done = false;
    for (int c = 0; c < look.channels; c++)
        look.tracks[c].minimum = INFINITY, look.tracks[c].maximum = -INFINITY;
    if (!read_levels(capture, request, &look, ret_frames, problem))
        goto out;
    int64_t count = look.tracks[0].count;
    if (count == 0) {
        problem_set(
            problem, PROBLEM_NOT_MEASURABLE, NULL,
            "Only %.3f s of audio from there on; a measurement needs at least 1 s.",
            (double)*ret_frames / format->sample_rate_hz);
        goto out;
    }
    levels.block = malloc((size_t)count * sizeof *levels.block);
    levels.slow = malloc((size_t)count * sizeof *levels.slow);
    scratch = malloc((size_t)count * sizeof *scratch);
    if (!levels.block || !levels.slow || !scratch) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory for the levels of %lld blocks.", (long long)count);
        goto out;
    }
    for (int c = 0; c < look.channels; c++) {
        int64_t first_frame = request->first_frame;
        const struct steady_clean *clean = request->clean ? &request->clean[c] : NULL;
        struct track part =
            within_clean(&look.tracks[c], clean, look.block_frames, &first_frame);
        judge(&part, &look, first_frame, &levels, scratch, &spans[c]);
        if (request->wholes)
            judge(&part, &look, first_frame, NULL, scratch, &request->wholes[c]);
    }
    align(spans, look.channels);
    if (request->wholes)
        align(request->wholes, look.channels);
    done = true;
out:
    for (int c = 0; c < look.channels; c++) {
        free(look.tracks[c].blocks);
        free(look.tracks[c].sums);
    }
    free(levels.block);
    free(levels.slow);
    free(scratch);
    return done;
}
