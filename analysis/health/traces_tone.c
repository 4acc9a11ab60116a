#include "analysis/health/traces_tone.h"

#include <math.h>

#include "analysis/dsp/fft.h"
#include "analysis/dsp/kernels.h"
#include "analysis/dsp/lines.h"
#include "analysis/dsp/lobe_fit.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    RUN_SEGMENTS = 4096, /* 1.7 h; what comes after them changes the mean no more */
};

static double wrapped(double radians)
{
    return radians - 2 * M_PI * round(radians / (2 * M_PI));
}

bool traces_tone_new(int length, struct traces_tone *ret, struct problem *problem)
{
    struct traces_tone made = {0};
    if (!tone_track_new(RUN_SEGMENTS, length, &made.now.track, problem) ||
        !tone_track_new(RUN_SEGMENTS, length, &made.best.track, problem)) {
        traces_tone_free(&made);
        return false;
    }
    *ret = made;
    return true;
}

void traces_tone_free(struct traces_tone *tone)
{
    tone_track_free(&tone->now.track);
    tone_track_free(&tone->best.track);
}

static void end_run(struct traces_tone *tone)
{
    if (tone->now.energy > tone->best.energy) {
        struct traces_run kept = tone->best;
        tone->best = tone->now;
        tone->now = kept;
    }
    tone->now.track.count = 0;
    tone->now.energy = 0;
}

/* Whether the phase is where both segments' frequencies lead it. */
static bool goes_on(const struct traces_tone *tone, const struct lobe_fit *fitted)
{
    const double most_radians = 0.05, deviations = 6, most_bins = 0.5;
    if (fabs(fitted->bin - tone->last_bin) > most_bins)
        return false;
    double turns = (tone->last_bin + fitted->bin) / 2; /* a segment on */
    double surprise = wrapped(carg(fitted->phasor) - tone->last_phase -
                              2 * M_PI * (turns - floor(turns)));
    double sd = hypot(hypot(fitted->phase_sd, tone->last_phase_sd),
                      M_PI * hypot(fitted->bin_sd, tone->last_bin_sd));
    return fabs(surprise) < most_radians + deviations * sd;
}

static void add_to_run(struct traces_tone *tone, const struct lobe_fit *fitted,
                       int length)
{
    struct traces_run *run = &tone->now;
    if (run->track.count > 0 && !goes_on(tone, fitted))
        end_run(tone);
    struct tone_fit fit = lobe_fit_tone(fitted, length);
    if (run->track.count < run->track.capacity)
        tone_track_add(&run->track, &fit);
    run->energy += cabs(fit.phasor) * cabs(fit.phasor);
    tone->last_bin = fitted->bin;
    tone->last_phase = carg(fitted->phasor);
    tone->last_bin_sd = fitted->bin_sd;
    tone->last_phase_sd = fitted->phase_sd;
}

static int highest_of(const double *powers, int first, int last)
{
    int peak = first;
    for (int j = first + 1; j <= last; j++)
        if (powers[j] > powers[peak])
            peak = j;
    return peak;
}

/* The bin of the tone that dominates the segment, or −1. The one that is followed is
 * looked for at its place; the whole spectrum only where it has less than half. */
static int find_peak(const struct traces_tone *tone, const double *powers, int length,
                     double total)
{
    /* Half a bin off its centre a tone's highest bin still holds a third of it. */
    const double least_share = 0.5 / 3.2;
    int first = LOBE + 1, last = length / 2 - LOBE - 1, peak = -1;
    struct kernels_levels levels;
    if (tone->now.track.count > 0) {
        struct bins lobe = {(int)tone->last_bin - LOBE, (int)tone->last_bin + LOBE};
        if (2 * spectrum_sum(powers, lobe) > total)
            peak = highest_of(powers, lobe.first, lobe.last);
    }
    if (peak < 0) {
        kernels_levels(powers + first, last - first + 1, &levels);
        if (levels.maximum > least_share * total)
            peak = highest_of(powers, first, last);
    }
    /* At the end of the range it may be the slope of dc, no line of its own. */
    bool own = peak >= first && peak <= last && powers[peak] >= powers[peak - 1] &&
               powers[peak] >= powers[peak + 1];
    return own ? peak : -1;
}

void traces_tone_follow(struct traces_tone *tone, const struct window *window,
                        const double *transform, const double *powers, double mean_square)
{
    const double most_misfit = 0.05;
    double total = mean_square - spectrum_sum(powers, (struct bins){0, LOBE});
    struct lobe_fit fitted = {.misfit = INFINITY};
    int peak = find_peak(tone, powers, window->length, total);
    if (peak >= 0)
        fitted = lobe_fit(window, transform, lines_interpolate(powers, peak));
    if (fitted.misfit < most_misfit)
        add_to_run(tone, &fitted, window->length);
    else
        end_run(tone);
}

double traces_tone_folded(double bin, double rate_bins)
{
    double rest = fmod(bin, rate_bins);
    return rest > rate_bins / 2 ? rate_bins - rest : rest;
}

static bool is_harmonic(double bin, double tone_bin, int length)
{
    enum { HIGHEST_FOLDED = 10 };
    double order = round(bin / tone_bin);
    if (order >= 2 && fabs(order * tone_bin - bin) <= LOBE)
        return true;
    for (int k = 2; k <= HIGHEST_FOLDED; k++)
        if (fabs(traces_tone_folded(k * tone_bin, length) - bin) <= LOBE)
            return true;
    return false;
}

/* Whether a second tone, no harmonic, comes within 13 dB of it. */
static bool has_rival(const struct spectrum *mean, const struct traces_tone_result *tone)
{
    const double highest = tone->power / 20 / 3.2; /* as the highest bin of a tone */
    int length = 2 * (mean->bins - 1);
    for (int j = LOBE + 1; j < mean->bins - LOBE - 1; j++)
        if (mean->sum[j] > highest && (j < tone->lobe.first || j > tone->lobe.last) &&
            !is_harmonic(j, tone->bin, length))
            return true;
    return false;
}

void traces_tone_end(struct traces_tone *tone, const struct spectrum *mean,
                     struct traces_tone_result *ret)
{
    int length = 2 * (mean->bins - 1), first = LOBE + 1, last = mean->bins - LOBE - 2;
    *ret = (struct traces_tone_result){.bin = NAN, .u95 = NAN, .lobe = {0, -1}};
    end_run(tone);
    const struct tone_track *track = &tone->best.track;
    if (track->count == 0)
        return;
    struct tone_track_result mean_tone = tone_track_result(track);
    struct traces_tone_result made = {
        .bin = mean_tone.cycles * length,
        .u95 = mean_tone.cycles_u95 / mean_tone.cycles,
        .lobe = {(int)floor(track->minimum_cycles * length) - LOBE,
                 (int)ceil(track->maximum_cycles * length) + LOBE},
    };
    made.power = spectrum_sum(mean->sum, made.lobe);
    double total = spectrum_sum(mean->sum, (struct bins){first, last});
    if (made.power > 0.5 * total && !has_rival(mean, &made))
        *ret = made;
}
