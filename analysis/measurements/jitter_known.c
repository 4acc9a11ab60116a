#include "analysis/measurements/jitter_known.h"

#include <math.h>

#include "analysis/signals/jitter_pattern.h"

enum {
    LEAST_BITS = 16,
    MOST_BITS = 24,
    ROOM = 24, /* bins: half a lobe, and what a carrier may move */
};

/* Cosine phase of the carrier at the pattern's first frame, in turns: of −½ −½ +½ +½. */
static const double carrier_start = 3.0 / 8;

int jitter_known_index(int step)
{
    return (step + JITTER_KNOWN_HIGHEST) / 2;
}

void jitter_known_begin(struct jitter_known *known, double carrier_bins, int reach)
{
    double step_bins = carrier_bins / JITTER_KNOWN_PER_CARRIER;
    int farthest = (int)floor((reach - ROOM) / step_bins);
    farthest -= farthest % 2 == 0;
    *known = (struct jitter_known){
        .farthest = farthest < JITTER_KNOWN_HIGHEST ? farthest : JITTER_KNOWN_HIGHEST};
}

static double complex turned(double turns)
{
    double angle = 2 * M_PI * (turns - floor(turns));
    return cos(angle) + I * sin(angle);
}

void jitter_known_add(struct jitter_known *known, const struct demodulate *demodulate,
                      const struct window *window, double turns)
{
    double step_bins =
        demodulate->carrier.cycles * demodulate->length / JITTER_KNOWN_PER_CARRIER;
    known->segments++;
    for (int step = -known->farthest; step <= known->farthest; step += 2) {
        double complex line = demodulate_line(demodulate, window, step * step_bins) *
                              turned(-step * turns / JITTER_KNOWN_PER_CARRIER);
        int i = jitter_known_index(step);
        known->sum[i] += line;
        known->squares[i] += creal(line * conj(line));
    }
}

double complex jitter_known_mean(const struct jitter_known *known, int step)
{
    return known->sum[jitter_known_index(step)] / known->segments;
}

double jitter_known_scatter(const struct jitter_known *known, int step)
{
    double n = known->segments;
    double complex mean = jitter_known_mean(known, step);
    double own = creal(mean * conj(mean));
    if (n < JITTER_KNOWN_SEGMENTS)
        return INFINITY;
    return fmax(known->squares[jitter_known_index(step)] / n - own, 0) / (n - 1);
}

double complex jitter_known_line(int bits, int step)
{
    const int period = JITTER_PATTERN_FRAMES;
    int k = JITTER_KNOWN_PER_CARRIER + step;
    double lsb = ldexp(1, 1 - bits);
    double complex turn = turned(-(double)k / period);
    /* −LSB over the second half of the period: a geometric series from −1. */
    double complex line = 2 * lsb / (period * (1 - turn));
    double complex carrier = M_SQRT2 / 4 * turned(carrier_start);
    return line / carrier * turned(-step * carrier_start / JITTER_KNOWN_PER_CARRIER);
}

/* How strongly the lines resemble a pattern of 1 bit (LSB = 1) that begins so many half
 * turns of the carrier earlier. */
static double likeness(const struct jitter_known *known, int half_turns)
{
    double sum = 0, whole = 0;
    for (int step = -known->farthest; step <= known->farthest; step += 2) {
        double complex line = jitter_known_line(1, step);
        double complex here =
            line * turned(-0.5 * step * half_turns / JITTER_KNOWN_PER_CARRIER);
        sum += creal(jitter_known_mean(known, step) * conj(here));
        whole += creal(line * conj(line));
    }
    return sum / whole;
}

/* What noise alone may give as likeness: five standard deviations. */
static double likeness_of_noise(const struct jitter_known *known)
{
    double sum = 0, whole = 0;
    for (int step = -known->farthest; step <= known->farthest; step += 2) {
        double complex line = jitter_known_line(1, step);
        double power = creal(line * conj(line));
        sum += power * jitter_known_scatter(known, step) / 2;
        whole += power;
    }
    return 5 * sqrt(sum) / whole;
}

/* Whether the strongest line is there, out of the noise, and those next to it as well as
 * noise lets tell: hum of 250 Hz is one line, and lines elsewhere leak into many. */
static bool fits(const struct jitter_known *known)
{
    enum { LOOKED_AT = 6 };
    const double most = 0.25, shows = 10; /* of their power; times the scatter */
    double left = 0, whole = 0, noise = 0;
    int step = -known->farthest;
    for (int i = 0; i < LOOKED_AT && step <= known->farthest; i++, step += 2) {
        double complex want = known->expected[jitter_known_index(step)];
        double complex rest = jitter_known_mean(known, step) - want;
        double power = creal(want * conj(want)),
               scatter = jitter_known_scatter(known, step);
        left += creal(rest * conj(rest));
        whole += power;
        noise += 4 * scatter;
        if (i == 0 && (power < shows * scatter || left > most * whole))
            return false;
        if (i == 0)
            left = whole = noise = 0;
    }
    return left <= most * whole + noise;
}

void jitter_known_decide(struct jitter_known *known)
{
    const double tolerance = 0.25; /* of the LSB: 2 dB */
    int best = 0;
    double most = 0;
    if (known->farthest < 1 || known->segments < JITTER_KNOWN_SEGMENTS)
        return;
    for (int half_turns = 0; half_turns < 2 * JITTER_KNOWN_PER_CARRIER; half_turns++) {
        double likely = likeness(known, half_turns);
        if (likely > most) {
            most = likely;
            best = half_turns;
        }
    }
    if (!(most > likeness_of_noise(known)))
        return;
    int found = (int)lround(1 - log2(most));
    if (found < LEAST_BITS || found > MOST_BITS ||
        fabs(most / ldexp(1, 1 - found) - 1) > tolerance)
        return;
    for (int step = -known->farthest; step <= known->farthest; step += 2)
        known->expected[jitter_known_index(step)] =
            jitter_known_line(found, step) *
            turned(-0.5 * step * best / JITTER_KNOWN_PER_CARRIER);
    if (fits(known))
        known->bits = found;
}
