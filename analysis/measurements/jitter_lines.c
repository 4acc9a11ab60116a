#include "analysis/measurements/jitter_lines.h"

#include <assert.h>
#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lines.h"
#include "analysis/measurements/mains.h"

enum { LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS };

static const double far_apart = 0.01; /* −20 dB: one of two parts does not count */
static const double place_bins = 1.5;

/* What the lines are made from. */
struct judging {
    const struct jitter_channel *channel;
    const struct line_list *found;
    struct powers_view phase, amplitude, upper, lower;
    struct spectrum sides[2]; /* borrowed sums, for the views */
    double threshold;         /* a peak over its density, within one lobe */
};

/* What a line of this power leaves in a bin. */
static double skirt(const struct judging *judging, const struct line *line, int bin)
{
    double shape = window_transform(judging->channel->window->kind, bin - line->peak);
    return line->power * shape * shape;
}

/* Lobe of a line, as far as it is stronger there than its neighbours' and the carrier's:
 * four bins from its peak a lobe has lost 34 dB, so that little is missed. */
static struct bins own_lobe(const struct judging *judging, int index)
{
    const struct line *line = &judging->found->lines[index];
    struct bins lobe = bins_lobe(line->peak);
    for (int i = 0; i < judging->found->count; i++) {
        const struct line *other = &judging->found->lines[i];
        if (i == index || abs(other->peak - line->peak) > 2 * LOBE)
            continue;
        for (int *end = other->peak < line->peak ? &lobe.first : &lobe.last;
             *end != line->peak &&
             skirt(judging, other, *end) >= skirt(judging, line, *end);)
            *end += *end < line->peak ? 1 : -1;
    }
    return bins_within(
        lobe, (struct bins){JITTER_LINES_FIRST - 4, judging->channel->demodulate.reach});
}

/* Scatter of a lobe's sum over segments, from the theory of a line in Gaussian noise: of
 * the line times the noise, and of the noise itself. */
static double lobe_u95(const struct powers_view *view, struct bins lobe, double power,
                       double density)
{
    double correlated = view->window->correlated_bins;
    double variance =
        correlated * density * (2 * fmax(power, 0) + bins_width(lobe) * density);
    return 2 * sqrt(variance / view->spectrum->segments);
}

static struct power side_power(const struct powers_view *view, struct bins lobe)
{
    struct power noise = powers_under(view, lobe, bins_width(lobe));
    double power = spectrum_sum(view->spectrum->sum, lobe) - noise.mean;
    double density = noise.mean / bins_width(lobe);
    return (struct power){power, hypot(noise.u95, lobe_u95(view, lobe, power, density))};
}

/* A part of the modulation: its half-width from the scatter of its peak bin. A line's
 * product with noise scatters by Σw² in a bin, by Σw⁴ in the sum over the lobe. */
static struct power part_power(const struct judging *judging,
                               const struct powers_view *view, struct bins lobe, int peak,
                               bool *ret_stands_out)
{
    struct power noise = powers_under(view, lobe, bins_width(lobe));
    double gross = spectrum_sum(view->spectrum->sum, lobe);
    double density = noise.mean / bins_width(lobe), highest = 0;
    double more = sqrt(view->window->correlated_bins / view->window->enbw_bins);
    double relative = spectrum_relative_u95(view->spectrum, peak) * more;
    for (int j = peak - 1; j <= peak + 1; j++)
        highest = fmax(highest, view->spectrum->sum[j]);
    *ret_stands_out = highest > judging->threshold * density;
    return (struct power){gross - noise.mean, hypot(gross * relative, noise.u95)};
}

static void judge_kind(struct jitter_line *line)
{
    struct power strong = line->upper, weak = line->lower;
    if (line->lower.mean > line->upper.mean) {
        strong = line->lower;
        weak = line->upper;
    }
    bool hidden =
        weak.mean <= weak.u95 && strong.mean - strong.u95 > fmax(weak.mean, 0) + weak.u95;
    line->has_kind = true;
    if (hidden || weak.mean <= far_apart * strong.mean)
        line->kind = JITTER_ADDITIVE;
    else if (line->has_phase && (!line->has_amplitude ||
                                 line->amplitude.mean <= far_apart * line->phase.mean))
        line->kind = JITTER_PHASE;
    else if (line->has_amplitude &&
             (!line->has_phase || line->phase.mean <= far_apart * line->amplitude.mean))
        line->kind = JITTER_AMPLITUDE;
    else if (line->has_phase && line->has_amplitude)
        line->kind = JITTER_MIXED;
    else
        line->has_kind = false;
}

static bool is_usb_frame(double hz, double bin_hz)
{
    const double frame_hz = 1000, clocks = 3e-4; /* between host and recorder */
    double multiple = frame_hz * round(hz / frame_hz);
    return multiple > 0 && fabs(hz - multiple) <= fmax(place_bins * bin_hz, clocks * hz);
}

/* Modulation has its offset from what modulates; a line that is added, its frequency. */
static enum jitter_origin origin_of(const struct jitter_channel *channel,
                                    const struct jitter_line *line)
{
    double bin_hz = jitter_bin_hz(channel), hz = line->bin * bin_hz;
    if (line->has_kind && line->kind == JITTER_ADDITIVE) {
        double carrier_hz = channel->cycles * channel->sample_rate_hz;
        hz = line->upper.mean > line->lower.mean ? carrier_hz + hz : carrier_hz - hz;
    }
    return mains_is(hz) ? JITTER_MAINS
                        : (is_usb_frame(hz, bin_hz) ? JITTER_USB_FRAME : JITTER_UNKNOWN);
}

static double complex phase_part(double complex upper, double complex lower)
{
    return (upper - conj(lower)) / (2 * I);
}

/* Where a line lies whose lobe has this peak: as the two bins beside it tell, whose ratio
 * falls steadily with the place. Closer than a parabola (0.02 bin), which over a segment
 * would turn the phases of lines to each other by 4 degrees. */
static double place_of(const double *powers, int peak, enum window_kind kind)
{
    enum { HALVINGS = 40 };
    double low = -0.75, high = 0.75, below = powers[peak - 1], above = powers[peak + 1];
    if (below <= 0 || above <= 0)
        return peak;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = (low + high) / 2;
        double left = window_transform(kind, -1 - middle),
               right = window_transform(kind, 1 - middle);
        if (right * right * below < left * left * above)
            low = middle;
        else
            high = middle;
    }
    return peak + low;
}

static void judge_line(const struct judging *judging, int index, struct jitter_line *ret)
{
    const struct jitter_channel *channel = judging->channel;
    const struct line *found = &judging->found->lines[index];
    struct bins lobe = own_lobe(judging, index);
    struct jitter_line line = {.upper = side_power(&judging->upper, lobe),
                               .lower = side_power(&judging->lower, lobe)};
    line.phase = part_power(judging, &judging->phase, lobe, found->peak, &line.has_phase);
    line.amplitude =
        part_power(judging, &judging->amplitude, lobe, found->peak, &line.has_amplitude);
    judge_kind(&line);
    line.bin = place_of(line.has_phase ? judging->phase.spectrum->sum
                                       : judging->amplitude.spectrum->sum,
                        found->peak, channel->window->kind);
    line.origin = origin_of(channel, &line);
    if (line.bin + LOBE + 1 <= channel->demodulate.reach)
        line.phasor =
            phase_part(demodulate_line(&channel->demodulate, channel->window, line.bin),
                       demodulate_line(&channel->demodulate, channel->window, -line.bin));
    *ret = line;
}

static struct power power_of(double complex amplitude, double scatter)
{
    double power = creal(amplitude * conj(amplitude));
    /* Of a mean in phase: twice the amplitude times the half-width of one component. */
    return (struct power){power, 2 * sqrt(2 * power * scatter) + scatter};
}

/* A pair of the pattern's lines: the sides as they are, the parts beyond the pattern. */
static bool judge_known(const struct jitter_channel *channel, int step,
                        struct jitter_line *ret)
{
    const double shows = 10; /* times the scatter: noise does it once in 20 000 */
    /* A filter changes the pattern's lines against the carrier, by 11 % where samples are
     * held: a third of their amplitude is nobody's. */
    const double alike = 0.1 / shows;
    const struct jitter_known *known = &channel->known;
    double complex upper = jitter_known_mean(known, step),
                   lower = jitter_known_mean(known, -step);
    double up = jitter_known_scatter(known, step),
           low = jitter_known_scatter(known, -step);
    double complex up_known = known->expected[jitter_known_index(step)],
                   low_known = known->expected[jitter_known_index(-step)];
    double loose = alike * fmax(creal(up_known * conj(up_known)),
                                creal(low_known * conj(low_known)));
    double both = (up + low) / 4 + loose;
    struct jitter_line line = {
        .bin = step * channel->cycles * channel->plan.length / JITTER_KNOWN_PER_CARRIER,
        .upper = power_of(upper, up),
        .lower = power_of(lower, low),
        .origin = JITTER_TEST_PATTERN,
    };
    if (!(line.upper.mean > shows * up) && !(line.lower.mean > shows * low))
        return false;
    upper -= up_known;
    lower -= low_known;
    double complex phase = phase_part(upper, lower),
                   amplitude = (upper + conj(lower)) / 2;
    struct jitter_line excess = {.upper = power_of(upper, up),
                                 .lower = power_of(lower, low),
                                 .phase = power_of(phase, both),
                                 .amplitude = power_of(amplitude, both)};
    excess.has_phase = excess.phase.mean > shows * both;
    excess.has_amplitude = excess.amplitude.mean > shows * both;
    if (excess.has_phase || excess.has_amplitude)
        judge_kind(&excess);
    line.phase = excess.phase;
    line.amplitude = excess.amplitude;
    line.has_phase = excess.has_phase;
    line.has_amplitude = excess.has_amplitude;
    line.has_kind = excess.has_kind;
    line.kind = excess.kind;
    double turns = step * channel->kept_turns / JITTER_KNOWN_PER_CARRIER;
    line.phasor = phase * cexp(2 * M_PI * I * (turns - floor(turns)));
    *ret = line;
    return true;
}

/* The nearest offset of the pattern's lines, in steps; 0: it lies at none. */
static int known_step(const struct jitter_channel *channel, double bin)
{
    const struct jitter_known *known = &channel->known;
    double step_bins = channel->cycles * channel->plan.length / JITTER_KNOWN_PER_CARRIER;
    int step = 2 * (int)floor(bin / step_bins / 2) + 1;
    return known->bits > 0 && step <= known->farthest &&
                   fabs(bin - step * step_bins) <= place_bins
               ? step
               : 0;
}

/* Whether another line's lobe reaches into that of the pattern's. */
static bool is_crowded(const struct judging *judging, int step)
{
    const struct jitter_channel *channel = judging->channel;
    double bin = step * channel->cycles * channel->plan.length / JITTER_KNOWN_PER_CARRIER;
    for (int i = 0; i < judging->found->count; i++) {
        double apart = fabs(judging->found->lines[i].bin - bin);
        if (apart > place_bins && apart < 2 * LOBE)
            return true;
    }
    return false;
}

static double strength(const struct jitter_line *line)
{
    return fmax(line->upper.mean, line->lower.mean);
}

static int by_strength(const void *a, const void *b)
{
    double left = strength(a), right = strength(b);
    return left < right ? 1 : left > right ? -1 : 0;
}

/* Fills the intervals that hold no noise: carrier, lines, the pattern's lines. */
static bool exclude(const struct jitter_channel *channel, const struct line_list *found,
                    struct jitter_lines *ret, struct problem *problem)
{
    int count = 0, pattern = channel->known.bits > 0 ? channel->known.farthest : 0;
    double step_bins = channel->cycles * channel->plan.length / JITTER_KNOWN_PER_CARRIER;
    ret->excluded =
        malloc(((size_t)found->count + JITTER_KNOWN_LINES + 1) * sizeof *ret->excluded);
    if (!ret->excluded)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for the places of %d sidebands.", found->count);
    ret->excluded[count++] = (struct bins){0, JITTER_LINES_FIRST - LOBE - 1};
    for (int i = 0; i < found->count; i++)
        ret->excluded[count++] = bins_lobe(found->lines[i].peak);
    for (int step = 1; step <= pattern; step += 2)
        ret->excluded[count++] = bins_lobe(step * step_bins);
    ret->excluded_count = bins_merge(ret->excluded, count);
    return true;
}

/* Lines in the power of both sides. Where the carrier's own lobe stands, the search sees
 * what lies beside it. */
static bool search(const struct demodulate *demodulate, double *both,
                   struct line_list *ret, struct problem *problem)
{
    struct spectrum sides = {.bins = demodulate->reach + 1,
                             .segments = demodulate->phase.segments,
                             .sum = both};
    struct line_search where = {{JITTER_LINES_FIRST, demodulate->reach - LOBE - 1},
                                {0, -1},
                                1e-17}; /* the window's own side lobes: −170 dBc */
    assert(demodulate->reach > 2 * LOBE);
    for (int k = 0; k <= demodulate->reach; k++)
        both[k] = demodulate->phase.sum[k] + demodulate->amplitude.sum[k];
    for (int k = 0; k <= LOBE; k++)
        both[k] = both[2 * LOBE + 1 - k];
    return lines_find(&sides, &where, ret, problem);
}

static void judge_all(struct judging *judging, struct jitter_lines *ret)
{
    const struct jitter_channel *channel = judging->channel;
    for (int i = 0; i < judging->found->count; i++) {
        struct jitter_line line;
        if (known_step(channel, judging->found->lines[i].bin) > 0)
            continue;
        judge_line(judging, i, &line);
        ret->lines[ret->count++] = line;
    }
    for (int step = 1; channel->known.bits > 0 && step <= channel->known.farthest;
         step += 2)
        if (!is_crowded(judging, step))
            ret->count += judge_known(channel, step, &ret->lines[ret->count]);
    qsort(ret->lines, (size_t)ret->count, sizeof *ret->lines, by_strength);
}

bool jitter_lines_find(struct jitter_channel *channel, struct jitter_lines *ret,
                       struct problem *problem)
{
    const struct demodulate *demodulate = &channel->demodulate;
    struct jitter_lines made = {0};
    struct line_list found = {0};
    int bins = demodulate->reach + 1, segments = demodulate->phase.segments;
    bool done = false;
    made.lower = malloc((size_t)bins * sizeof *made.lower);
    if (!made.lower) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL, "No memory for %d bins.", bins);
        goto out;
    }
    if (!search(demodulate, made.lower, &found, problem) ||
        !exclude(channel, &found, &made, problem))
        goto out;
    for (int k = 0; k < bins; k++)
        made.lower[k] = 2 * (demodulate->phase.sum[k] + demodulate->amplitude.sum[k]) -
                        demodulate->upper[k];
    made.lines = malloc(((size_t)found.count + JITTER_KNOWN_LINES) * sizeof *made.lines);
    if (!made.lines) {
        problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                    "No memory to list %d sidebands.", found.count);
        goto out;
    }
    struct judging judging = {
        .channel = channel,
        .found = &found,
        .sides = {{.bins = bins, .segments = segments, .sum = demodulate->upper},
                  {.bins = bins, .segments = segments, .sum = made.lower}},
        .threshold = statistics_line_threshold(segments, 3),
    };
    struct powers_view view = {&demodulate->phase, channel->window, made.excluded,
                               made.excluded_count};
    judging.phase = judging.amplitude = judging.upper = judging.lower = view;
    judging.amplitude.spectrum = &demodulate->amplitude;
    judging.upper.spectrum = &judging.sides[0];
    judging.lower.spectrum = &judging.sides[1];
    judge_all(&judging, &made);
    *ret = made;
    made = (struct jitter_lines){0};
    done = true;
out:
    lines_free(&found);
    jitter_lines_free(&made);
    return done;
}

void jitter_lines_free(struct jitter_lines *lines)
{
    free(lines->lines);
    free(lines->excluded);
    free(lines->lower);
    *lines = (struct jitter_lines){0};
}

bool jitter_lines_is_jitter(const struct jitter_line *line)
{
    return line->has_phase && !(line->has_kind && line->kind == JITTER_ADDITIVE);
}
