#include "analysis/health/breaks_match.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/kernels.h"

enum {
    LONGEST = BREAKS_MATCH_LONGEST,
    REACH = BREAKS_MATCH_REACH,
    WIDE = FFT_ROW, /* up to here samples and bins lie in order */
};

struct breaks_match {
    struct fft_cache *cache;
    struct breaks_render *render;
    double *piece, *signal;                 /* [WIDE], transforms */
    double centred[LONGEST];                /* the piece without its mean */
    double squares;                         /* of it */
    double beside[LONGEST + 2 * REACH + 2]; /* the signal there */
};

struct breaks_match *breaks_match_new(struct fft_cache *cache,
                                      struct breaks_render *render,
                                      struct problem *problem)
{
    struct breaks_match *match = calloc(1, sizeof *match);
    if (match) {
        match->cache = cache;
        match->render = render;
        match->piece = fft_buffer_new(WIDE);
        match->signal = fft_buffer_new(WIDE);
        if (match->piece && match->signal)
            return match;
    }
    breaks_match_free(match);
    problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                "Not enough memory to compare with the signal; try again.");
    return NULL;
}

void breaks_match_free(struct breaks_match *match)
{
    if (!match)
        return;
    fft_buffer_free(match->piece);
    fft_buffer_free(match->signal);
    free(match);
}

static void centre(struct breaks_match *match, const struct breaks_piece *piece)
{
    double mean = kernels_sum(piece->samples, piece->count) / piece->count;
    for (int n = 0; n < piece->count; n++)
        match->centred[n] = piece->samples[n] - mean;
    match->squares = kernels_weighted_sum(match->centred, match->centred, piece->count);
}

/* The largest of `places` correlations from the whole frame `first` on. */
static bool look(struct breaks_match *match, const struct breaks_piece *piece,
                 int64_t first, int places, struct breaks_place *ret,
                 struct problem *problem)
{
    double found[2 * REACH + 3];
    int best = 0, count = piece->count;
    *ret = (struct breaks_place){.strength = 0};
    if (!breaks_render_take(match->render, piece->channel, first, count + places - 1,
                            match->beside, problem))
        return false;
    for (int i = 0; i < places; i++) {
        found[i] = kernels_weighted_sum(match->beside + i, match->centred, count);
        best = fabs(found[i]) > fabs(found[best]) ? i : best;
    }
    double squares =
        kernels_weighted_sum(match->beside + best, match->beside + best, count);
    if (best == 0 || best == places - 1 || !(squares * match->squares > 0))
        return true;
    double below = fabs(found[best - 1]), above = fabs(found[best + 1]),
           peak = fabs(found[best]);
    double bend = 2 * peak - below - above;
    ret->position =
        (double)(first + best) + (bend > 0 ? 0.5 * (above - below) / bend : 0);
    ret->strength = peak / sqrt(squares * match->squares);
    return true;
}

bool breaks_match_near(struct breaks_match *match, const struct breaks_piece *piece,
                       double position, int reach, struct breaks_place *ret,
                       struct problem *problem)
{
    centre(match, piece);
    return look(match, piece, llround(position) - reach, 2 * reach + 1, ret, problem);
}

/* Makes of two transforms, in `signal`, that of their correlation, folded so that one
 * more forward transform undoes it: for real c, C = Re C − Im C is its own inverse
 * (Hartley). */
static void multiply(const double *piece, double *signal)
{
    signal[0] *= piece[0];
    for (int k = 1; k < WIDE / 2; k++) {
        double pr = piece[2 * k], pi = piece[2 * k + 1];
        double sr = signal[2 * k], si = signal[2 * k + 1];
        signal[2 * k] = sr * pr + si * pi;
        signal[2 * k + 1] = si * pr - sr * pi;
    }
    signal[WIDE] *= piece[WIDE];
}

static void unfold(const double *product, double *ret)
{
    ret[0] = product[0];
    ret[WIDE / 2] = product[WIDE];
    for (int k = 1; k < WIDE / 2; k++) {
        ret[k] = product[2 * k] - product[2 * k + 1];
        ret[WIDE - k] = product[2 * k] + product[2 * k + 1];
    }
}

/* The place of the largest magnitude; `bins` is the transform of an unfolded product. */
static int largest_of(const double *bins)
{
    double most = -1;
    int best = 0;
    for (int n = 0; n < BREAKS_MATCH_PLACES; n++) {
        int k = n <= WIDE / 2 ? n : WIDE - n;
        double im = k == 0 || k == WIDE / 2 ? 0 : bins[2 * k + 1];
        double value = fabs(n <= WIDE / 2 ? bins[2 * k] - im : bins[2 * k] + im);
        if (value > most) {
            most = value;
            best = n;
        }
    }
    return best;
}

bool breaks_match_wide(struct breaks_match *match, const struct breaks_piece *piece,
                       int64_t first, struct breaks_place *ret, struct problem *problem)
{
    centre(match, piece);
    memset(match->piece, 0, WIDE * sizeof *match->piece);
    memcpy(match->piece, match->centred, (size_t)piece->count * sizeof *match->piece);
    if (!breaks_render_take(match->render, piece->channel, first, WIDE, match->signal,
                            problem) ||
        !fft_forward(match->cache, WIDE, match->piece, NULL, problem) ||
        !fft_forward(match->cache, WIDE, match->signal, NULL, problem))
        return false;
    multiply(match->piece, match->signal);
    unfold(match->signal, match->piece);
    if (!fft_forward(match->cache, WIDE, match->piece, NULL, problem))
        return false;
    return look(match, piece, first + largest_of(match->piece) - 1, 3, ret, problem);
}
