#include "analysis/health/breaks_watch.h"

#include <math.h>
#include <string.h>

#include "analysis/dsp/statistics.h"

enum {
    PIECE = 256,     /* residuals are judged by the piece */
    TRAINING = 1024, /* samples a short predictor is trained on, at most */
    LONG_TRAINING = 2048,
    MOST_PATIENCE = 32,
    STALE_AFTER = 4, /* pieces beyond the usual in a row: not a break, but new signal */
    PROBE = 128,
    MOST_DEAD = 64,   /* places noted where nothing moves */
    LEVEL_EVERY = 16, /* blocks */
};

static const double well = 0.01;  /* a residual of this share of the signal: enough */
static const double hardly = 0.1; /* more than this: not predictable */
static const double white = 0.97; /* no use trying harder */
static const double unusual = 3;  /* times the usual: a place */
static const double least_share = 0.003; /* of the signal: no place below */
static const double dead_share = 0.01;   /* of the usual: not even noise */
static const double forgetting_s = 0.5;  /* half-life of the usual */

void breaks_watch_start(struct breaks_watch *watch, double sample_rate_hz, double step)
{
    *watch = (struct breaks_watch){
        .sample_rate_hz = sample_rate_hz, .step = step, .blind_from = -1};
}

/* The usual: twice the smallest of the pieces' largest residuals, so that a break among
 * what is trained on does not hide itself. */
static double usual_of(const struct predict *predict, const double *x, int count)
{
    double smallest = INFINITY;
    int last = count - predict->order - PIECE;
    for (int n = predict->order; n <= last; n += PIECE)
        smallest = fmin(smallest, predict_peak(predict, x + n, PIECE).largest);
    return 2 * smallest;
}

static bool trained(const double *x, int count, double signal, struct predict *ret)
{
    struct predict longer;
    int few = count < TRAINING ? count : TRAINING;
    if (!predict_train(x, few, PREDICT_SHORT, ret))
        return false;
    if (ret->rms <= well * signal)
        return true;
    if (ret->rms > white * signal ||
        !predict_train(x, count < LONG_TRAINING ? count : LONG_TRAINING, PREDICT_LONG,
                       &longer))
        return false;
    if (ret->rms > 2 * longer.rms)
        *ret = longer;
    return ret->rms <= hardly * signal;
}

static void train(struct breaks_watch *watch, const double *x, int count)
{
    double level = statistics_rms(x, PROBE);
    bool as_before = level <= 4 * watch->failed_level && watch->failed_level <= 4 * level;
    if (watch->wait > 0 && as_before) {
        watch->wait--;
        return;
    }
    int many = count < LONG_TRAINING ? count : LONG_TRAINING;
    double signal = statistics_rms(x, many);
    watch->watching = signal > 0 && trained(x, many, signal, &watch->predict);
    watch->stale = false;
    watch->in_a_row = 0;
    if (!watch->watching) {
        int longer = 2 * watch->patience + 1;
        watch->patience = as_before && longer < MOST_PATIENCE ? longer : MOST_PATIENCE;
        if (!as_before)
            watch->patience = 1;
        watch->wait = watch->patience;
        watch->failed_level = level;
        return;
    }
    double usual = usual_of(&watch->predict, x, many);
    watch->usual = watch->raised ? fmax(watch->usual, usual) : usual;
    watch->first_usual = watch->usual;
    watch->signal = signal;
    watch->patience = watch->wait = watch->blocks = 0;
}

/* What comes again and again (the edges of a square wave) is the signal's own. */
static void note_recurring(struct breaks_watch *watch, int64_t frame, double size)
{
    memmove(watch->recent, watch->recent + 1, sizeof watch->recent - sizeof frame);
    memmove(watch->recent_sizes, watch->recent_sizes + 1,
            sizeof watch->recent_sizes - sizeof size);
    watch->recent[BREAKS_WATCH_RECENT - 1] = frame;
    watch->recent_sizes[BREAKS_WATCH_RECENT - 1] = size;
    if (watch->place_count < BREAKS_WATCH_RECENT ||
        (double)(frame - watch->recent[0]) > forgetting_s * watch->sample_rate_hz)
        return;
    for (int i = 0; i < BREAKS_WATCH_RECENT; i++)
        watch->usual = fmax(watch->usual, watch->recent_sizes[i]);
    watch->first_usual = watch->usual;
    watch->raised = true;
    if (watch->blind_from < 0)
        watch->blind_from = frame + 1;
}

static void note(struct breaks_watch *watch, int64_t frame, double size)
{
    int last = watch->place_count - 1;
    if (last >= 0 && frame - watch->places[last] <= 2 * PREDICT_LONG) {
        if (size > watch->sizes[last]) {
            watch->places[last] = frame;
            watch->sizes[last] = size;
        }
        return;
    }
    if (watch->place_count == BREAKS_WATCH_PLACES) {
        if (watch->blind_from < 0)
            watch->blind_from = frame;
        return;
    }
    watch->places[watch->place_count] = frame;
    watch->sizes[watch->place_count++] = size;
    if (!watch->dead)
        note_recurring(watch, frame, size);
}

/* A hole may have edges that nobody sees, but all is silent in it. */
static void note_dead(struct breaks_watch *watch, double largest, int64_t frame)
{
    bool was_dead = watch->dead;
    watch->dead = largest < dead_share * watch->usual;
    if (watch->dead && !was_dead && watch->dead_count++ < MOST_DEAD)
        note(watch, frame, largest);
}

static int64_t place_of_largest(const struct predict *predict, const double *x, int count)
{
    double residual[PIECE];
    int largest = 0;
    predict_residual(predict, x, count, residual);
    for (int n = 1; n < count; n++)
        if (fabs(residual[n]) > fabs(residual[largest]))
            largest = n;
    return largest;
}

static void judge_piece(struct breaks_watch *watch, const double *x, int count,
                        int64_t frame)
{
    double largest = predict_peak(&watch->predict, x, count).largest;
    double bound = fmax(unusual * watch->usual,
                        fmax(least_share * watch->signal, 1.5 * watch->step));
    note_dead(watch, largest, frame);
    watch->usual *= exp2(-count / (forgetting_s * watch->sample_rate_hz));
    if (largest <= bound) {
        watch->in_a_row = 0;
        watch->usual = fmax(watch->usual, largest);
        watch->stale |= watch->usual > unusual * watch->first_usual;
        return;
    }
    if (++watch->in_a_row >= STALE_AFTER)
        watch->stale = true;
    else
        note(watch, frame + place_of_largest(&watch->predict, x, count), largest);
}

/* Centres are those samples that have a whole neighbourhood. */
static void judge_all(struct breaks_watch *watch, const double *x, int count,
                      int64_t first_frame)
{
    for (int n = PREDICT_LONG; n < count - PREDICT_LONG; n += PIECE) {
        int piece = count - PREDICT_LONG - n;
        judge_piece(watch, x + n, piece < PIECE ? piece : PIECE, first_frame + n);
    }
}

/* What counts as small follows the level of the signal. */
static void follow_level(struct breaks_watch *watch, const double *x, int count)
{
    if (++watch->blocks % LEVEL_EVERY != 0)
        return;
    double signal = statistics_rms(x, count);
    if (signal > 2 * watch->signal || 2 * signal < watch->signal)
        watch->stale = true;
}

void breaks_watch_feed(struct breaks_watch *watch, const double *samples, int count,
                       int64_t first_frame)
{
    enum { TAIL = BREAKS_WATCH_TAIL };
    double joint[2 * TAIL];
    int head = count < TAIL ? count : TAIL, both = watch->tail_count + head;
    if (watch->watching && count >= TRAINING)
        follow_level(watch, samples, count);
    if ((!watch->watching || watch->stale) && count >= TRAINING)
        train(watch, samples, count);
    memcpy(joint, watch->tail, sizeof *joint * (size_t)watch->tail_count);
    memcpy(joint + watch->tail_count, samples, sizeof *joint * (size_t)head);
    if (watch->watching) {
        judge_all(watch, joint, both, first_frame - watch->tail_count);
        judge_all(watch, samples, count, first_frame);
    }
    const double *end = count < TAIL ? joint + both : samples + count;
    watch->tail_count = count < TAIL && both < TAIL ? both : TAIL;
    memcpy(watch->tail, end - watch->tail_count,
           sizeof *joint * (size_t)watch->tail_count);
}
