#include "analysis/dsp/weighting_filter.h"

#include <assert.h>
#include <complex.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/dsp/halfband.h"
#include "analysis/dsp/weighting.h"
#include "analysis/dsp/wide.h"

enum { MAX_STAGES = 4 };

static const double lowest_working_hz = 64000;

/* One second-order section a lane, side by side: a pair of poles, or one real pole. */
struct sections {
    double b0[4], b1[4], a1[4], a2[4];
    double y1[4], y2[4]; /* the latest two values of each */
    double x1;
};

struct weighting_filter {
    double working_rate_hz;
    int stages; /* negative: so many halvings; positive: doublings */
    struct halfband stage[MAX_STAGES];
    struct sections sections;
    double ping[2 * HALFBAND_BLOCK], pong[2 * HALFBAND_BLOCK];
};

static double complex pole_of(int index, double sign)
{
    return weighting_468_poles[index].re_hz + I * sign * weighting_468_poles[index].im_hz;
}

/* What is left of s/Π(s − p) at the pole `index` when its own factor is taken away. */
static double complex residue(int index)
{
    double complex pole = pole_of(index, 1), product = pole;
    for (int i = 0; i < WEIGHTING_468_POLES; i++) {
        if (i != index)
            product /= pole - pole_of(i, 1);
        if (weighting_468_poles[i].im_hz != 0)
            product /= pole - pole_of(i, -1);
    }
    return product;
}

static double complex response(const struct sections *sections, double cycles)
{
    double complex back = cexp(-2 * M_PI * I * cycles), sum = 0;
    for (int i = 0; i < 4; i++)
        sum += (sections->b0[i] + sections->b1[i] * back) /
               (1 + sections->a1[i] * back + sections->a2[i] * back * back);
    return sum;
}

/* Each pole p becomes e^(2πp/rate), and keeps its share of the impulse response. */
static struct sections make_sections(double rate_hz)
{
    struct sections made = {.x1 = 0};
    for (int i = 0; i < WEIGHTING_468_POLES; i++) {
        double complex turn = cexp(2 * M_PI / rate_hz * pole_of(i, 1)),
                       share = residue(i);
        bool pair = weighting_468_poles[i].im_hz != 0;
        made.b0[i] = pair ? 2 * creal(share) : creal(share);
        made.b1[i] = pair ? -2 * creal(share * conj(turn)) : 0;
        made.a1[i] = pair ? -2 * creal(turn) : -creal(turn);
        made.a2[i] = pair ? creal(turn * conj(turn)) : 0;
    }
    double gain = cabs(response(&made, 1000 / rate_hz));
    for (int i = 0; i < 4; i++) {
        made.b0[i] /= gain;
        made.b1[i] /= gain;
    }
    return made;
}

bool weighting_filter_new(int sample_rate_hz, struct weighting_filter **ret,
                          struct problem *problem)
{
    struct weighting_filter *filter = calloc(1, sizeof *filter);
    double rate = sample_rate_hz;
    if (!filter)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a weighting filter.");
    while (rate < lowest_working_hz) {
        filter->stage[filter->stages++] = halfband_doubling();
        rate *= 2;
    }
    while (rate >= 2 * lowest_working_hz) {
        filter->stage[-filter->stages--] = halfband_halving();
        rate /= 2;
    }
    assert(abs(filter->stages) <= MAX_STAGES);
    filter->working_rate_hz = rate;
    filter->sections = make_sections(rate);
    *ret = filter;
    return true;
}

void weighting_filter_free(struct weighting_filter *filter)
{
    free(filter);
}

double weighting_filter_rate_hz(const struct weighting_filter *filter)
{
    return filter->working_rate_hz;
}

int weighting_filter_output(const struct weighting_filter *filter, int count)
{
    return filter->stages > 0 ? count << filter->stages : count >> -filter->stages;
}

/* Where weighted samples go: to `weighted`, or to the detector. */
struct destination {
    double *weighted; /* or NULL */
    struct quasi_peak *detector;
    struct quasi_peak_reading reading;
};

BODY void run_sections(struct sections *sections, const double *x, int count,
                       struct destination *to)
{
    const quad b0 = *(const quad *)sections->b0, b1 = *(const quad *)sections->b1,
               a1 = *(const quad *)sections->a1, a2 = *(const quad *)sections->a2;
    quad y1 = *(quad *)sections->y1, y2 = *(quad *)sections->y2;
    const struct quasi_peak detector =
        to->weighted ? (struct quasi_peak){0} : *to->detector;
    double first = detector.held[0], second = detector.held[1], sum = 0, highest = 0;
    double x1 = sections->x1;
    for (int n = 0; n < count; n++) {
        quad y = (b0 * x[n] + b1 * x1 - a2 * y2) - a1 * y1;
        y2 = y1;
        y1 = y;
        x1 = x[n];
        double value = (y[0] + y[2]) + (y[1] + y[3]);
        if (to->weighted) {
            to->weighted[n] = value;
            continue;
        }
        first = quasi_peak_step(&detector, 0, first, fabs(value));
        second = quasi_peak_step(&detector, 1, second, first);
        sum += second;
        highest = second > highest ? second : highest;
    }
    *(quad *)sections->y1 = y1;
    *(quad *)sections->y2 = y2;
    sections->x1 = x1;
    if (to->weighted) {
        to->weighted += count;
        return;
    }
    to->detector->held[0] = first;
    to->detector->held[1] = second;
    to->reading.sum += detector.scale * sum;
    to->reading.highest = fmax(to->reading.highest, detector.scale * highest);
}

BODY void pour(struct weighting_filter *filter, const double *samples, int count,
               double dc, struct destination *to)
{
    int doublings = filter->stages > 0 ? filter->stages : 0;
    int most = 2 * HALFBAND_BLOCK >> doublings;
    assert(count % WEIGHTING_FILTER_STEP == 0);
    for (int first = 0; first < count; first += most) {
        int held = count - first < most ? count - first : most;
        double *here = filter->ping, *there = filter->pong;
        for (int n = 0; n < held; n++)
            here[n] = samples[first + n] - dc;
        for (int i = 0; i < abs(filter->stages); i++) {
            if (filter->stages > 0)
                halfband_double(&filter->stage[i], here, held, there);
            else
                halfband_halve(&filter->stage[i], here, held, there);
            held = filter->stages > 0 ? 2 * held : held / 2;
            double *swap = here;
            here = there;
            there = swap;
        }
        run_sections(&filter->sections, here, held, to);
    }
}

BODY void run_body(struct weighting_filter *filter, const double *samples, int count,
                   double dc, double *ret)
{
    struct destination to = {.weighted = ret};
    pour(filter, samples, count, dc, &to);
}
WIDE_KERNEL(void, weighting_filter_run, run,
            (struct weighting_filter * filter, const double *samples, int count,
             double dc, double *ret),
            (filter, samples, count, dc, ret))

BODY void read_body(struct weighting_filter *filter, const double *samples, int count,
                    double dc, struct quasi_peak *detector,
                    struct quasi_peak_reading *ret)
{
    struct destination to = {.detector = detector};
    pour(filter, samples, count, dc, &to);
    *ret = to.reading;
}
WIDE_KERNEL(void, weighting_filter_read, read,
            (struct weighting_filter * filter, const double *samples, int count,
             double dc, struct quasi_peak *detector, struct quasi_peak_reading *ret),
            (filter, samples, count, dc, detector, ret))
