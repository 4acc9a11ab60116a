#include "analysis/health/levels_flat.h"

#include <math.h>

#include "analysis/dsp/kernels.h"

enum {
    MOST_PIECES = 48,
    FEWEST_AT_EXTREME = 16,
    FEWEST_IN_BAND = 8,
    SHORTEST_RUN = 3,
    FEWEST_RUNS = 3,
    FEWEST_AT_FULL_SCALE = 4, /* samples in runs */
};

static const double coarsest = 0x1p-15; /* 16 bits; a tone of few phases shows no step */
static const double band_share = 0.00137; /* 3° of a sine beside its top */
static const double band_steps = 16;
static const double widest = 0.3;   /* all bands together, of the amplitude */
static const double piled_up = 3;   /* times the band beneath */
static const double filled = 0.1;   /* of the wider bands, at least */
static const double reaching = 1.5; /* of the band beneath, the lowest at least: a wave
                                      that is cut off gives 2.2 or more (√16.8 − √9.8
                                      to √1.8 − √0.8), noise on a plateau gives none */
static const double leaving = 16;   /* steps */
static const double moving = 0.5;   /* of the first step, the next one */
static const double run_share = 0.005;
static const double varied = 0.25; /* of the visits, at least */

static void count_bands(struct levels_flat *flat, const struct levels_flat_piece *piece)
{
    double width = fmax(band_share * piece->amplitude, band_steps * flat->step);
    double all = width * LEVELS_FLAT_BANDS * LEVELS_FLAT_BANDS;
    if (!(all <= widest * piece->amplitude))
        return;
    int64_t above = piece->hits;
    for (int i = 0; i < LEVELS_FLAT_BANDS; i++) {
        double least = flat->level - width * (i + 1) * (i + 1);
        int64_t within = piece->sign > 0
                             ? scan_count(piece->samples, piece->count, least)
                             : piece->count - scan_count(piece->samples, piece->count,
                                                         nextafter(-least, INFINITY));
        flat->bands[i] += within - above;
        above = within;
    }
    flat->found += piece->hits;
}

/* From the run outwards (step ±1): falls at once, and goes on falling. */
static bool is_left_moving(const struct levels_flat *flat,
                           const struct levels_flat_piece *piece, int edge, int step)
{
    if (edge + 2 * step < 0 || edge + 2 * step >= piece->count)
        return false;
    double first = flat->level - piece->sign * piece->samples[edge + step];
    double next = flat->level - piece->sign * piece->samples[edge + 2 * step] - first;
    return first > leaving * flat->step && next >= moving * first;
}

/* A wave that repeats after few samples meets its own top with the same samples each
 * time: that is no pile. `beside` is the sample that a visit to the extreme is left to.
 */
static void note_visit(struct levels_flat *flat, int length, double beside)
{
    bool known = false;
    for (int i = 0; i < LEVELS_FLAT_VISITS && i < flat->visits; i++)
        known = known || fabs(flat->beside[i] - beside) <= leaving * flat->step;
    if (!known || length >= SHORTEST_RUN)
        flat->varied_visits++;
    flat->beside[flat->visits++ % LEVELS_FLAT_VISITS] = beside;
}

static void count_runs(struct levels_flat *flat, const struct levels_flat_piece *piece)
{
    double level = piece->sign * flat->level;
    int64_t left = piece->hits;
    for (int n = 0; n < piece->count && left > 0; n++) {
        int first = n;
        while (n < piece->count && piece->samples[n] == level)
            n++;
        left -= n - first;
        if (n > first && n < piece->count)
            note_visit(flat, n - first, piece->samples[n]);
        if (n - first >= SHORTEST_RUN && (is_left_moving(flat, piece, first, -1) ||
                                          is_left_moving(flat, piece, n - 1, 1))) {
            flat->runs++;
            flat->run_samples += n - first;
        }
    }
}

void levels_flat_look(struct levels_flat *flat, const struct levels_flat_piece *piece)
{
    if (piece->hits < 2 || flat->pieces == MOST_PIECES)
        return;
    double step = kernels_smallest_step(piece->samples, piece->count, piece->finest);
    flat->step = fmin(flat->pieces == 0 ? coarsest : flat->step, step);
    flat->pieces++;
    flat->looked += piece->count;
    count_bands(flat, piece);
    count_runs(flat, piece);
}

static bool is_piled_up(const struct levels_flat *flat)
{
    double wider = 0;
    for (int i = 1; i < LEVELS_FLAT_BANDS; i++)
        wider += (double)flat->bands[i] / (LEVELS_FLAT_BANDS - 1);
    double beneath = (double)flat->bands[0];
    return flat->found >= FEWEST_AT_EXTREME && beneath >= FEWEST_IN_BAND &&
           beneath >= filled * wider &&
           (double)flat->bands[LEVELS_FLAT_BANDS - 1] >= reaching * beneath &&
           (double)flat->found >= piled_up * beneath &&
           (double)flat->varied_visits >= varied * (double)flat->visits;
}

bool levels_flat_is_clipped(const struct levels_flat *flat, double full_scale)
{
    if (is_piled_up(flat))
        return true;
    if (flat->level >= full_scale && flat->run_samples >= FEWEST_AT_FULL_SCALE)
        return true;
    return flat->runs >= FEWEST_RUNS &&
           (double)flat->run_samples >= run_share * (double)flat->looked;
}
