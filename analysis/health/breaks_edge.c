#include "analysis/health/breaks_edge.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/capture/excerpt.h"
#include "analysis/health/breaks_path.h"

enum {
    SIDE = 512,     /* frames that tell the path */
    FEWEST = 192,   /* of them */
    VERIFIED = 256, /* frames on either side of an edge that must be explained */
    SMEARED = 16,   /* beside an edge, not counted there */
};

static const double explained = 0.5; /* share of the power that may be left, at most */
static const double apart = 4;       /* times that the wrong side leaves more */
static const double quiet = 0.05;    /* of the power: a hole */

struct breaks_edge_seeker {
    struct breaks_edge_needs needs;
    int channel, signal_channel, room;
    int64_t from; /* frame of samples[0] */
    int count;
    double *samples, *played, *sums[3]; /* [room] */
    struct breaks_path path;            /* of the side before, */
    int64_t shift; /* frames of the signal ahead of the recording's */
};

double breaks_line_at(const struct breaks_line *line, int64_t frame)
{
    double since = (double)(frame - line->frame);
    return line->position + since + since * line->rate;
}

struct breaks_edge_seeker *breaks_edge_seeker_new(const struct breaks_edge_needs *needs,
                                                  struct problem *problem)
{
    struct breaks_edge_seeker *seeker = calloc(1, sizeof *seeker);
    if (!seeker)
        goto no_memory;
    seeker->needs = *needs;
    seeker->room = needs->longest + 2 * SIDE + BREAKS_PATH_TAPS;
    size_t size = (size_t)seeker->room * sizeof(double);
    seeker->samples = malloc(size);
    seeker->played = malloc(size);
    for (int i = 0; i < 3; i++)
        seeker->sums[i] = malloc(size);
    if (seeker->samples && seeker->played && seeker->sums[0] && seeker->sums[1] &&
        seeker->sums[2])
        return seeker;
no_memory:
    breaks_edge_seeker_free(seeker);
    problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                "Not enough memory to locate breaks in noise; try again.");
    return NULL;
}

void breaks_edge_seeker_free(struct breaks_edge_seeker *seeker)
{
    if (!seeker)
        return;
    free(seeker->samples);
    free(seeker->played);
    for (int i = 0; i < 3; i++)
        free(seeker->sums[i]);
    free(seeker);
}

void breaks_edge_channel(struct breaks_edge_seeker *seeker, int channel,
                         int signal_channel)
{
    seeker->channel = channel;
    seeker->signal_channel = signal_channel;
}

bool breaks_edge_read(struct breaks_edge_seeker *seeker, int64_t first, int count,
                      double *ret, int *ret_count, struct problem *problem)
{
    const struct excerpt excerpt = {seeker->channel, first, count};
    return excerpt_read(seeker->needs.capture, &excerpt, ret, ret_count, problem);
}

/* The samples of the signal, as many frames ahead of the recording's own. */
static bool take_played(struct breaks_edge_seeker *seeker, int64_t shift,
                        struct problem *problem)
{
    return breaks_render_take(seeker->needs.render, seeker->signal_channel,
                              seeker->from + shift - BREAKS_PATH_SIDE,
                              seeker->count + BREAKS_PATH_TAPS - 1, seeker->played,
                              problem);
}

static double rest_at(const struct breaks_edge_seeker *seeker, int n)
{
    return seeker->samples[n] - breaks_path_at(&seeker->path, seeker->played + n);
}

/* Running sums of what a line leaves, squared: sums[n] of the n first samples. Trained on
 * samples[first … first + count). */
static bool explain(struct breaks_edge_seeker *seeker, const struct breaks_line *line,
                    int first, int count, double *sums, bool *ret_good,
                    struct problem *problem)
{
    int64_t centre = seeker->from + first + count / 2;
    seeker->shift = llround(breaks_line_at(line, centre)) - centre;
    if (!take_played(seeker, seeker->shift, problem))
        return false;
    *ret_good = breaks_path_fit(seeker->samples + first, seeker->played + first, count,
                                &seeker->path);
    sums[0] = 0;
    for (int n = 0; *ret_good && n < seeker->count; n++) {
        double rest = rest_at(seeker, n);
        sums[n + 1] = sums[n] + rest * rest;
    }
    return true;
}

static double mean_of(const double *sums, int first, int end)
{
    return (sums[end] - sums[first]) / (end - first);
}

/* Of a hole of one value, all of it and nothing else: samples of the signal may come near
 * that value. */
static void trim(const struct breaks_edge_seeker *seeker, int *k1, int *k2)
{
    const double *x = seeker->samples;
    double value = x[(*k1 + *k2) / 2];
    int first = (*k1 + *k2) / 2, end = first;
    while (first > 0 && fabs(x[first - 1] - value) <= 0)
        first--;
    while (end < seeker->count && fabs(x[end] - value) <= 0)
        end++;
    if (end - first < (*k2 - *k1) / 2)
        return;
    *k1 = first;
    *k2 = end;
}

/* Finds k1 and k2 within low … high from the running sums of the one side, of silence and
 * of the other side. */
static void split(const struct breaks_edge_seeker *seeker, int low, int high,
                  struct breaks_edge *edge)
{
    const double *a = seeker->sums[0], *z = seeker->sums[1], *b = seeker->sums[2];
    int start = low, k1 = low, k2 = low, k = low;
    double least = INFINITY;
    for (int n = low; n <= high; n++) {
        if (a[n] - z[n] < a[start] - z[start])
            start = n;
        double cost = a[start] - z[start] + z[n] - b[n];
        if (cost < least) {
            least = cost;
            k1 = start;
            k2 = n;
        }
        if (a[n] - b[n] < a[k] - b[k])
            k = n;
    }
    double power = fmin(mean_of(z, 0, low), mean_of(z, high, seeker->count));
    edge->hole =
        k2 - k1 >= seeker->needs.shortest_hole && mean_of(z, k1, k2) < quiet * power;
    if (edge->hole)
        trim(seeker, &k1, &k2);
    edge->k1 = seeker->from + (edge->hole ? k1 : k);
    edge->k2 = seeker->from + (edge->hole ? k2 : k);
}

/* Whether either side explains what lies beside the edge, and only that. */
static bool is_valid(const struct breaks_edge_seeker *seeker,
                     const struct breaks_edge *edge)
{
    const double *a = seeker->sums[0], *z = seeker->sums[1], *b = seeker->sums[2];
    int k1 = (int)(edge->k1 - seeker->from) - SMEARED,
        k2 = (int)(edge->k2 - seeker->from) + SMEARED;
    int low = k1 - VERIFIED > 0 ? k1 - VERIFIED : 0,
        high = k2 + VERIFIED < seeker->count ? k2 + VERIFIED : seeker->count;
    if (k1 - low < VERIFIED / 4 || high - k2 < VERIFIED / 4)
        return false;
    double before = mean_of(a, low, k1), after = mean_of(b, k2, high);
    double least_before = explained * mean_of(z, low, k1),
           least_after = explained * mean_of(z, k2, high);
    bool both = before <= least_before && after <= least_after;
    bool differ = mean_of(b, low, k1) >= fmax(apart * before, least_before) &&
                  mean_of(a, k2, high) >= fmax(apart * after, least_after);
    return both && (edge->hole || differ);
}

bool breaks_edge_seek(struct breaks_edge_seeker *seeker, struct breaks_edge *edge,
                      struct problem *problem)
{
    bool good_before = false, good_after = false;
    edge->valid = edge->looked = false;
    seeker->from =
        edge->first - SIDE > edge->trusted ? edge->first - SIDE : edge->trusted;
    int64_t wanted = edge->end + SIDE - seeker->from;
    if (edge->first - seeker->from < FEWEST || wanted + BREAKS_PATH_TAPS > seeker->room)
        return true;
    if (!breaks_edge_read(seeker, seeker->from, (int)wanted, seeker->samples,
                          &seeker->count, problem))
        return false;
    int low = (int)(edge->first - seeker->from), high = (int)(edge->end - seeker->from);
    if (seeker->count - high < FEWEST)
        return true;
    /* The side before last: its path is kept. */
    if (!explain(seeker, &edge->after, high, seeker->count - high, seeker->sums[2],
                 &good_after, problem) ||
        !explain(seeker, &edge->before, 0, low, seeker->sums[0], &good_before, problem))
        return false;
    double *silence = seeker->sums[1];
    silence[0] = 0;
    for (int n = 0; n < seeker->count; n++) {
        double x = seeker->samples[n] - edge->level;
        silence[n + 1] = silence[n] + x * x;
    }
    if (!good_before || !good_after)
        return true;
    split(seeker, low, high, edge);
    edge->looked = true;
    edge->valid = is_valid(seeker, edge);
    return true;
}

bool breaks_edge_step(struct breaks_edge_seeker *seeker, const struct breaks_edge *edge,
                      int64_t *ret, struct problem *problem)
{
    int64_t told = llround(breaks_line_at(&edge->after, edge->k2) -
                           breaks_line_at(&edge->before, edge->k2));
    int first = (int)(edge->k2 - seeker->from) + SMEARED;
    int end = first + VERIFIED < seeker->count ? first + VERIFIED : seeker->count;
    double least = INFINITY;
    *ret = told;
    for (int64_t step = told - 1; step <= told + 1; step++) {
        double squares = 0;
        if (!take_played(seeker, seeker->shift + step, problem))
            return false;
        for (int n = first; n < end; n++)
            squares += rest_at(seeker, n) * rest_at(seeker, n);
        if (squares < least) {
            least = squares;
            *ret = step;
        }
    }
    return true;
}
