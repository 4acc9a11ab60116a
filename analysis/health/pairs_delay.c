#include "analysis/health/pairs_delay.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/kernels.h"
#include "analysis/health/pairs_lag.h"

enum {
    SHORTEST = 1 << 10,
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS + 1,
    LOWEST_BIN = 10, /* of a tone whose image is out of the way */
    FIRST_BIN = 3,
    FEWEST_OCTAVES = 3,
    FARTHEST_SHARE = 16,
    BASE_RATE_HZ = 48000,
};

static const double dominates = 0.9;      /* share of the power: one tone */
static const double tone_coherent = 0.9;  /* over the pieces */
static const double widest_frames = 0.05; /* what noise hides of a delay; else none */
static const double related = 0.5;        /* correlation at the peak */
static const double clearly = 1.05;       /* more negative than positive */
/* Phases within 4°: channels whose phases merely happen to lie about so do not pass. */
static const double inverted_to = -0.998;
static const double octave_share = 1e-4; /* of the power, to be asked */
static const double weak_share = 1e-2;   /* noise of -60 dBFS shows in weaker octaves */
static const double weak_inverted_to = -0.9;
static const double inverted_within_s = 1e-4;
static const double inverted_range = 0.01; /* of the power: 20 dB */
/* Of a tone: tones of any phases pass once in 6000, channels wired alike differ by less.
 */
static const double tone_inverted_within = 0.03 * M_PI / 180;

/* Sums over the pieces, at a sample rate `decimation` times lower. */
struct look {
    int channels, length, bins, decimation;
    double window_fall; /* −r″(0)/r(0) of the window's autocorrelation r */
    const struct window *window;
    struct levels_between_table table;
    double *buffer, *block;     /* a transform; one channel of what is read */
    double *samples;            /* [channels][length] */
    double *window_correlation; /* [length] of the window with itself */
    double *fine;               /* for pairs_lag */
    double *power;              /* [channels][bins] */
    double complex *cross;      /* [channels][bins] with channel 1 */
    double complex *first;      /* [bins] channel 1's spectrum of this piece */
};

static void look_free(struct look *look)
{
    fft_buffer_free(look->buffer);
    free(look->block);
    free(look->samples);
    free(look->window_correlation);
    free(look->fine);
    free(look->power);
    free(look->cross);
    free(look->first);
}

/* From a cross-spectrum the correlation at all lags: lag l at [l], lag −l at [length −
 * l]; by a Hartley transform, which is its own inverse and comes from a forward transform
 * of reals. Bins below first_bin are left out. */
static bool correlate(const struct health_subject *subject, const struct look *look,
                      const double complex *cross, int first_bin, double *values,
                      struct problem *problem)
{
    int length = look->length, half = length / 2;
    for (int k = 0; k <= half; k++) {
        double re = k < first_bin ? 0 : creal(cross[k]);
        double im = k < first_bin ? 0 : cimag(cross[k]);
        values[(length - k) % length] = re + im;
        values[k] = re - im;
    }
    fft_put(look->buffer, length, 0, values, length);
    if (!fft_forward(subject->request->cache, length, look->buffer, NULL, problem))
        return false;
    for (int l = 0; l <= half; l++) {
        double complex z = fft_bin(look->buffer, length, l);
        values[(length - l) % length] = (creal(z) + cimag(z)) / length;
        values[l] = (creal(z) - cimag(z)) / length;
    }
    return true;
}

/* The window's correlation with itself, and how it falls off at first. */
static bool look_at_window(const struct health_subject *subject, struct look *look,
                           struct problem *problem)
{
    int length = look->length;
    const double *w = look->window->values;
    double steps = 0;
    for (int n = 0; n < length; n++)
        steps += (w[(n + 1) % length] - w[n]) * (w[(n + 1) % length] - w[n]);
    look->window_fall = steps / look->window->sum_squares;
    fft_put(look->buffer, length, 0, w, length);
    if (!fft_forward(subject->request->cache, length, look->buffer, NULL, problem))
        return false;
    for (int k = 0; k < look->bins; k++) {
        double size = cabs(fft_bin(look->buffer, length, k));
        look->first[k] = size * size;
    }
    return correlate(subject, look, look->first, 0, look->window_correlation, problem);
}

static bool look_new(const struct health_subject *subject, int length, int decimation,
                     struct look *ret, struct problem *problem)
{
    int channels = subject->format->channels, bins = length / 2 + 1;
    size_t all_bins = (size_t)bins * (size_t)channels;
    *ret = (struct look){
        .channels = channels, .length = length, .bins = bins, .decimation = decimation};
    if (!fft_window(subject->request->cache, WINDOW_BLACKMAN_HARRIS_7, length,
                    &ret->window, problem))
        return false;
    ret->buffer = fft_buffer_new(length);
    ret->block = malloc(sizeof *ret->block * CAPTURE_BLOCK_FRAMES);
    ret->samples = calloc((size_t)length * (size_t)channels, sizeof *ret->samples);
    ret->window_correlation = calloc((size_t)length, sizeof *ret->window_correlation);
    ret->fine =
        calloc((size_t)pairs_lag_room(length / FARTHEST_SHARE), sizeof *ret->fine);
    ret->power = calloc(all_bins, sizeof *ret->power);
    ret->cross = calloc(all_bins, sizeof *ret->cross);
    ret->first = calloc((size_t)bins, sizeof *ret->first);
    if (!ret->buffer || !ret->block || !ret->samples || !ret->window_correlation ||
        !ret->fine || !ret->power || !ret->cross || !ret->first)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to compare the channels; try again.");
    levels_between_table_fill(&ret->table);
    return look_at_window(subject, ret, problem);
}

/* Each sample is the mean of `decimation` frames, in all channels alike. */
static bool read_piece(const struct health_subject *subject, int64_t first,
                       struct look *look, struct problem *problem)
{
    int step = look->decimation, wanted = CAPTURE_BLOCK_FRAMES / 2, got;
    if (!capture_seek(subject->capture, first, problem))
        return false;
    for (int at = 0; at < look->length; at += wanted / step) {
        int count = look->length - at < wanted / step ? look->length - at : wanted / step;
        if (!capture_fetch(subject->capture, count * step, &got, problem))
            return false;
        for (int c = 0; c < look->channels; c++) {
            double *to = look->samples + (size_t)c * (size_t)look->length + at;
            capture_channel(subject->capture, c, 0, got, look->block);
            for (int n = 0; n < count; n++)
                to[n] = (n + 1) * step <= got
                            ? kernels_sum(look->block + n * step, step) / step
                            : 0;
        }
    }
    return true;
}

static bool add_piece(const struct health_subject *subject, struct look *look,
                      struct problem *problem)
{
    for (int c = 0; c < look->channels; c++) {
        double *samples = look->samples + (size_t)c * (size_t)look->length;
        double *power = look->power + (size_t)c * (size_t)look->bins;
        double complex *cross = look->cross + (size_t)c * (size_t)look->bins;
        double mean = kernels_weighted_sum(samples, look->window->values, look->length) /
                      look->window->sum;
        for (int n = 0; n < look->length; n++)
            samples[n] = (samples[n] - mean) * look->window->values[n];
        fft_put(look->buffer, look->length, 0, samples, look->length);
        if (!fft_forward(subject->request->cache, look->length, look->buffer, NULL,
                         problem))
            return false;
        for (int k = 0; k < look->bins; k++) {
            double complex z = fft_bin(look->buffer, look->length, k);
            if (c == 0)
                look->first[k] = z;
            power[k] += creal(z) * creal(z) + cimag(z) * cimag(z);
            cross[k] += conj(look->first[k]) * z;
        }
    }
    return true;
}

static bool look_at(const struct health_subject *subject,
                    const struct pairs_delay_places *places, struct look *look,
                    struct problem *problem)
{
    int64_t span = (int64_t)look->length * look->decimation;
    for (int i = 0; i < places->count; i++) {
        int64_t first = places->middles[i] - span / 2;
        first = first > places->frames - span ? places->frames - span : first;
        if (!read_piece(subject, first < 0 ? 0 : first, look, problem) ||
            !add_piece(subject, look, problem))
            return false;
    }
    return true;
}

static double sum_from(const double *power, int first, int end)
{
    double sum = 0;
    for (int k = first; k < end; k++)
        sum += power[k];
    return sum;
}

static int strongest(const double *power, int bins)
{
    int best = FIRST_BIN;
    for (int k = FIRST_BIN; k < bins; k++)
        best = power[k] > power[best] ? k : best;
    return best;
}

/* Whether one tone makes up this channel: *ret_bin where it stands. */
static bool is_tone(const double *power, int bins, int *ret_bin)
{
    int bin = strongest(power, bins);
    int first = bin > LOBE ? bin - LOBE : 0;
    int end = bin + LOBE + 1 < bins ? bin + LOBE + 1 : bins;
    *ret_bin = bin;
    return sum_from(power, first, end) >= dominates * sum_from(power, 0, bins);
}

/* `rate`: of the look. */
static void compare_tone(const struct look *look, int c, int bin, double rate,
                         struct pairs_delay *ret)
{
    const double *one = look->power,
                 *other = look->power + (size_t)c * (size_t)look->bins;
    const double complex *cross = look->cross + (size_t)c * (size_t)look->bins;
    int first = bin > LOBE ? bin - LOBE : 0;
    int end = bin + LOBE + 1 < look->bins ? bin + LOBE + 1 : look->bins;
    double complex sum = 0;
    double centre = 0;
    for (int k = first; k < end; k++) {
        sum += cross[k];
        centre += k * one[k];
    }
    double own = sum_from(one, first, end), ratio = sum_from(other, first, end) / own;
    if (!(cabs(sum) >= tone_coherent * own * sqrt(ratio)))
        return;
    double w = 2 * M_PI * centre / own / look->length;
    double noise = fmax(1 - cabs(sum) / (own * sqrt(ratio)), 0);
    ret->inverted = fabs(carg(-sum)) <= tone_inverted_within &&
                    M_PI / w >= inverted_within_s * rate && ratio >= inverted_range &&
                    ratio <= 1 / inverted_range;
    if (sqrt(noise) / w * look->decimation <= widest_frames)
        ret->frames = -carg(ret->inverted ? -sum : sum) / w * look->decimation;
}

/* Standard deviation of the lag, in frames: of the correlation's slope, by what the
 * channels do not share in each bin, over its bend. */
static double lag_spread(const struct look *look, int c, double lag)
{
    const double *one = look->power,
                 *other = look->power + (size_t)c * (size_t)look->bins;
    const double complex *cross = look->cross + (size_t)c * (size_t)look->bins;
    double bend = 0, squares = 0;
    for (int k = FIRST_BIN; k < look->bins; k++) {
        double w = 2 * M_PI * k / look->length;
        double re = creal(cross[k]), im = cimag(cross[k]);
        bend += w * w * (re * cos(w * lag) - im * sin(w * lag));
        squares += w * w * fmax(one[k] * other[k] - re * re - im * im, 0);
    }
    return look->decimation * sqrt(look->window->enbw_bins / 2 * squares) / fabs(bend);
}

/* Octave by octave: is channel c, brought to channel 1's time, the other way up? */
static bool is_inverted(const struct look *look, int c, double lag)
{
    const double *one = look->power,
                 *other = look->power + (size_t)c * (size_t)look->bins;
    const double complex *cross = look->cross + (size_t)c * (size_t)look->bins;
    double total = sum_from(one, FIRST_BIN, look->bins);
    double ratio = sum_from(other, FIRST_BIN, look->bins) / total;
    int asked = 0;
    if (!(ratio >= inverted_range && ratio <= 1 / inverted_range))
        return false;
    for (int first = 4; first < look->bins; first *= 2) {
        int end = 2 * first < look->bins ? 2 * first : look->bins;
        double sum = 0;
        for (int k = first; k < end; k++)
            sum += creal(cross[k] * cexp(2 * M_PI * I * k * lag / look->length));
        double own = sum_from(one, first, end);
        if (own < octave_share * total)
            continue;
        asked++;
        double to = own < weak_share * total ? weak_inverted_to : inverted_to;
        if (!(sum <= to * sqrt(own * sum_from(other, first, end))))
            return false;
    }
    return asked >= FEWEST_OCTAVES;
}

static bool compare_broad(const struct health_subject *subject, struct look *look, int c,
                          struct pairs_delay *ret, struct problem *problem)
{
    double up, down;
    double one = sum_from(look->power, FIRST_BIN, look->bins);
    double other =
        sum_from(look->power + (size_t)c * (size_t)look->bins, FIRST_BIN, look->bins);
    double whole = 2 * sqrt(one * other) / look->length; /* of both halves */
    const double complex *cross = look->cross + (size_t)c * (size_t)look->bins;
    if (!correlate(subject, look, cross, FIRST_BIN, look->samples,
                   problem)) /* samples are no longer needed */
        return false;
    struct pairs_lag lag = {
        .length = look->length,
        .first_bin = FIRST_BIN,
        .farthest = look->length / FARTHEST_SHARE,
        .cross = cross,
        .correlation = look->samples,
        .window_correlation = look->window_correlation,
        .window_fall = look->window_fall,
        .whole = whole,
        .table = &look->table,
        .fine = look->fine,
    };
    pairs_lag_interpolate(&lag);
    double found = pairs_lag_find(&lag, 1, &up);
    double found_down = pairs_lag_find(&lag, -1, &down);
    bool turned = down > clearly * up;
    double noise = fmax(1 - fmax(up, down) / whole, 0);
    if (!(noise <= 1 - related))
        return true;
    double rate = (double)subject->format->sample_rate_hz / look->decimation;
    found = turned ? found_down : found;
    if (lag_spread(look, c, found) <= widest_frames)
        ret->frames = found * look->decimation;
    ret->inverted = turned && down >= -inverted_to * whole &&
                    fabs(found) <= inverted_within_s * rate &&
                    is_inverted(look, c, found);
    return true;
}

/* *ret_low: channel 1 is a tone too low for pieces of this length. */
static bool find(const struct health_subject *subject,
                 const struct pairs_delay_places *places, int length, int decimation,
                 struct pairs_delay *ret, bool *ret_low, struct problem *problem)
{
    struct look look;
    int bin, own_bin;
    double rate = (double)subject->format->sample_rate_hz / decimation;
    bool good = look_new(subject, length, decimation, &look, problem) &&
                look_at(subject, places, &look, problem);
    bool tone = good && is_tone(look.power, look.bins, &bin);
    *ret_low = tone && bin < LOWEST_BIN;
    for (int c = 1; good && c < look.channels; c++) {
        const double *power = look.power + (size_t)c * (size_t)look.bins;
        if (tone && bin >= LOWEST_BIN && is_tone(power, look.bins, &own_bin))
            compare_tone(&look, c, bin, rate, &ret[c]);
        else if (!tone)
            good = compare_broad(subject, &look, c, &ret[c], problem);
    }
    look_free(&look);
    return good;
}

bool pairs_delay_find(const struct health_subject *subject,
                      const struct pairs_delay_places *places, struct pairs_delay *ret,
                      struct problem *problem)
{
    int length = PAIRS_DELAY_LENGTH, decimation = 1;
    bool low = false;
    for (int c = 0; c < subject->format->channels; c++)
        ret[c] = (struct pairs_delay){.frames = NAN};
    while (length > places->frames)
        length /= 2;
    if (length < SHORTEST)
        return true;
    if (!find(subject, places, length, decimation, ret, &low, problem))
        return false;
    while (subject->format->sample_rate_hz > BASE_RATE_HZ * decimation &&
           2 * decimation * (int64_t)length <= places->frames)
        decimation *= 2;
    return !low || decimation == 1 ||
           find(subject, places, length, decimation, ret, &low, problem);
}
