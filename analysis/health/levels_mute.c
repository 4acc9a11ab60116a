#include "analysis/health/levels_mute.h"

#include <math.h>
#include <stdlib.h>

enum { LENGTH = LEVELS_MUTE_LENGTH, BINS = LENGTH / 2 + 1, FIRST_BIN = 3 };

static const double shortest_s = 0.05, unit_s = 0.1, steady_s = 1;
static const double quietest = 5e-8;       /* mean square at −70 dBFS */
static const double steady_ratio = 2;      /* ±1.5 dB */
static const double strongest = 0.05;      /* of the bins */
static const double least_noise = 0.15;    /* squared steps */
static const double least_flatness = 0.05; /* 0.56 white noise, about 0.2 pink */

static void extend_run(struct levels_mute *mute, int sample_rate_hz, int frames)
{
    mute->run_frames += frames;
    if ((double)mute->run_frames < shortest_s * sample_rate_hz)
        return;
    if (mute->run_first == 0)
        mute->begins_with_run = true;
    else if (mute->run_frames > mute->longest) {
        mute->longest = mute->run_frames;
        mute->first_frame = mute->run_first;
    }
}

static void follow_run(struct levels_mute *mute, int sample_rate_hz,
                       const struct levels_mute_piece *piece)
{
    const double *samples = piece->samples;
    int lead = 0, tail = 1, count = piece->count;
    if (mute->run_frames > 0) {
        while (lead < count && samples[lead] == mute->run_value)
            lead++;
        extend_run(mute, sample_rate_hz, lead);
        if (lead == count)
            return;
    }
    while (tail < count && samples[count - 1 - tail] == samples[count - 1])
        tail++;
    mute->run_value = samples[count - 1];
    mute->run_first = mute->frames + count - tail;
    mute->run_frames = 0;
    extend_run(mute, sample_rate_hz, tail);
}

static void end_stretch(struct levels_mute *mute)
{
    mute->quiet_frames = 0;
    if (mute->kept < LENGTH)
        mute->kept = 0;
}

static void end_unit(struct levels_mute *mute, int sample_rate_hz)
{
    double frames = (double)mute->unit.frames, mean = mute->unit.sum / frames;
    double square = mute->unit.sum_squares / frames - mean * mean;
    if (square > 0 && square < quietest && mute->quiet_frames > 0) {
        mute->lowest = fmin(mute->lowest, square);
        mute->highest = fmax(mute->highest, square);
        if (mute->highest > steady_ratio * mute->lowest)
            end_stretch(mute);
    }
    if (!(square > 0 && square < quietest))
        end_stretch(mute);
    else if (mute->quiet_frames == 0)
        mute->lowest = mute->highest = square;
    if (square > 0 && square < quietest)
        mute->quiet_frames += mute->unit.frames;
    mute->is_quiet |= (double)mute->quiet_frames >= steady_s * sample_rate_hz;
    mute->unit = (struct levels_mute_unit){0};
}

static void keep(struct levels_mute *mute, const struct levels_mute_piece *piece)
{
    if (piece->minimum == piece->maximum)
        mute->kept = 0;
    else
        for (int n = 0; n < piece->count && mute->kept < LENGTH; n++)
            mute->sample[mute->kept++] = piece->samples[n];
}

void levels_mute_feed(struct levels_mute *mute, int sample_rate_hz,
                      const struct levels_mute_piece *piece)
{
    follow_run(mute, sample_rate_hz, piece);
    if ((double)mute->quiet_frames >= steady_s * sample_rate_hz && mute->kept < LENGTH)
        keep(mute, piece);
    mute->unit.sum += piece->sum;
    mute->unit.sum_squares += piece->sum_squares;
    mute->unit.frames += piece->count;
    if ((double)mute->unit.frames >= unit_s * sample_rate_hz)
        end_unit(mute, sample_rate_hz);
    mute->frames += piece->count;
}

static int by_value(const void *a, const void *b)
{
    double one = *(const double *)a, two = *(const double *)b;
    return (one > two) - (one < two);
}

/* powers[count], of bins; the strongest are left out. */
static bool is_noise(double *powers, int count, double step)
{
    int used = (int)((1 - strongest) * count);
    double sum = 0, logarithms = 0;
    qsort(powers, (size_t)count, sizeof *powers, by_value);
    for (int i = 0; i < used; i++) {
        sum += powers[i];
        logarithms += log(fmax(powers[i], 1e-300));
    }
    return sum >= least_noise * step * step &&
           exp(logarithms / used) >= least_flatness * sum / used;
}

bool levels_mute_is_suspected(const struct levels_mute *mute, double step,
                              struct fft_cache *cache, bool *ret, struct problem *problem)
{
    double powers[BINS], windowed[LENGTH];
    const struct window *window;
    *ret = false;
    if (mute->begins_with_run || mute->longest == 0 || !mute->is_quiet ||
        mute->kept < LENGTH)
        return true;
    if (!fft_window(cache, WINDOW_HANN, LENGTH, &window, problem))
        return false;
    double *buffer = fft_buffer_new(LENGTH);
    if (!buffer)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to look for a mute; try again.");
    for (int n = 0; n < LENGTH; n++)
        windowed[n] = mute->sample[n] * window->values[n];
    fft_put(buffer, LENGTH, 0, windowed, LENGTH);
    struct kernels_powers wanted = {
        .scale = 2 / (LENGTH * window->sum_squares),
        .powers = powers,
    };
    bool good = fft_forward(cache, LENGTH, buffer, &wanted, problem);
    fft_buffer_free(buffer);
    if (good)
        *ret = is_noise(powers + FIRST_BIN, BINS - FIRST_BIN, step);
    return good;
}
