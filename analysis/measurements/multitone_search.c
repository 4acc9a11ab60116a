#include "analysis/measurements/multitone_search.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/core/decibel.h"
#include "analysis/dsp/lines.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/measurements/powers.h"
#include "analysis/measurements/segments.h"

enum {
    LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS,
    LOOKS = 3,      /* segments averaged where the spectrum must tell: products scatter */
    PEAK_REACH = 3, /* bins on each side that a peak exceeds */
};

static const double farthest_share = 1e-3; /* of the clocks */
static const double near_share = 0.01;     /* of a tone beyond the band */
static const double tolerance_bins = 0.3;  /* of a told tone's place */
static const double droop_db = 20, least_gap_db = 10, deepest_db = 60;

struct looking {
    const struct multitone_search *search;
    struct fft_cache *cache;
    const struct window *window;
    double *buffer, *powers;
    struct spectrum spectrum;
};

bool multitone_search_in_band(double hz, const double band_hz[2], double bin_hz)
{
    double margin = fmax(LOBE * bin_hz, near_share * hz);
    return hz + margin > band_hz[0] && hz - margin < band_hz[1];
}

int multitone_search_lobes(const struct multitone_set *set, int length, double low,
                           double high, struct bins *merged)
{
    const struct bins whole = {0, length / 2};
    for (int i = 0; i < set->count; i++) {
        double bin = set->places[i].cycles * length;
        merged[i] = bins_within(
            (struct bins){bins_lobe(low * bin).first, bins_lobe(high * bin).last}, whole);
    }
    return bins_merge(merged, set->count);
}

static double bin_hz_of(const struct looking *looking)
{
    return (double)looking->search->sample_rate_hz / looking->search->length;
}

static bool take_segment(int plan, int64_t index, const double *samples, void *context,
                         struct problem *problem)
{
    struct looking *looking = context;
    (void)plan;
    (void)index;
    fft_put_windowed(looking->buffer, looking->window, samples, looking->search->span.dc);
    return spectrum_take(looking->cache, looking->window, looking->buffer,
                         looking->powers, &looking->spectrum, problem);
}

/* The averaged spectrum of the first segments, end to end. */
static bool look(struct capture *capture, struct looking *looking, int most,
                 struct problem *problem)
{
    const struct multitone_search *search = looking->search;
    int length = search->length;
    int64_t whole = search->span.frames / length;
    struct segment_plan plan = {search->channel, search->span.first_frame, length, length,
                                whole < most ? whole : most};
    if (!fft_window(looking->cache, WINDOW_BLACKMAN_HARRIS_7, length, &looking->window,
                    problem) ||
        !spectrum_new(length, 0, &looking->spectrum, problem))
        return false;
    looking->buffer = fft_buffer_new(length);
    looking->powers = malloc(((size_t)length / 2 + 1) * sizeof *looking->powers);
    if (!looking->buffer || !looking->powers)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for a transform of %d samples.", length);
    if (!segments_feed(capture, &plan, 1, take_segment, looking, NULL, problem))
        return false;
    spectrum_finish(&looking->spectrum);
    return true;
}

/* The strong high tone whose neighbours stay out of its lobe; by itself it tells the
 * clock. `power` and `bin` of each place; power 0: not to be used. */
static int choose_tracked(const double *power, const double *bin, int count)
{
    int best = -1;
    for (int alone = 1; alone >= 0 && best < 0; alone--)
        for (int i = 0; i < count; i++) {
            bool apart = (i == 0 || bin[i] - bin[i - 1] > 2 * LOBE - 1) &&
                         (i + 1 == count || bin[i + 1] - bin[i] > 2 * LOBE - 1);
            double weight = power[i] * bin[i] * bin[i];
            if (power[i] > 0 && (apart || !alone) &&
                (best < 0 || weight > power[best] * bin[best] * bin[best]))
                best = i;
        }
    return best;
}

/* The peak near a place: its interpolated bin; NaN where there is none. */
static double peak_near(const struct spectrum *spectrum, double bin, double reach,
                        double *ret_power)
{
    int first = (int)ceil(bin - reach), last = (int)floor(bin + reach);
    first = first < 1 ? 1 : first;
    last = last > spectrum->bins - 2 ? spectrum->bins - 2 : last;
    int peak = first;
    for (int j = first; j <= last; j++)
        if (spectrum->sum[j] > spectrum->sum[peak])
            peak = j;
    if (last < first || spectrum->sum[peak] <= spectrum->sum[peak - 1] ||
        spectrum->sum[peak] < spectrum->sum[peak + 1])
        return NAN;
    *ret_power = spectrum->sum[peak];
    return lines_interpolate(spectrum->sum, peak);
}

/* The tones told that the recording's rate and the band can hold, at their nominal
 * places. */
static void take_told(const struct looking *looking,
                      const struct multitone_request *request, struct multitone_set *set)
{
    double rate = looking->search->sample_rate_hz, bin_hz = bin_hz_of(looking);
    set->count = 0;
    for (int i = 0; i < request->told_count; i++) {
        double hz = request->told_hz[i];
        if (multitone_search_in_band(hz, request->band_hz, bin_hz) &&
            hz * (1 + farthest_share) < rate / 2 - LOBE * bin_hz)
            set->places[set->count++] = (struct multitone_place){hz / rate, hz};
    }
}

/* The peak nearest to each nominal place, and the tones that agree with tone i on the
 * clocks' ratio: their number, the others' power set to 0. */
struct peaks {
    double nominal[MULTITONE_MAX_TONES], bin[MULTITONE_MAX_TONES],
        power[MULTITONE_MAX_TONES];
};

static bool agrees(const struct peaks *peaks, int i, int j)
{
    return fabs(peaks->bin[j] - peaks->bin[i] / peaks->nominal[i] * peaks->nominal[j]) <=
           tolerance_bins;
}

/* Moves the places to the recorder's clock, as the tones tell it; false where no two of
 * them agree. */
static bool find_clock(const struct looking *looking, struct multitone_set *set)
{
    struct peaks peaks = {0};
    int best = -1, most = 0;
    for (int i = 0; i < set->count; i++) {
        peaks.nominal[i] = set->places[i].cycles * looking->search->length;
        peaks.bin[i] =
            peak_near(&looking->spectrum, peaks.nominal[i],
                      fmax(2, farthest_share * peaks.nominal[i]), &peaks.power[i]);
    }
    for (int i = 0; i < set->count; i++) {
        int agreeing = 0;
        for (int j = 0; j < set->count; j++)
            agreeing += agrees(&peaks, i, j);
        if (agreeing > 0 && agreeing >= most) {
            most = agreeing;
            best = i;
        }
    }
    if (best < 0)
        return false;
    for (int j = 0; j < set->count; j++)
        if (!agrees(&peaks, best, j))
            peaks.power[j] = 0;
    set->tracked = choose_tracked(peaks.power, peaks.nominal, set->count);
    double ratio = peaks.bin[set->tracked] / peaks.nominal[set->tracked];
    for (int i = 0; i < set->count; i++)
        set->places[i].cycles *= ratio;
    return true;
}

/* How many of the tones stand above what is beside them, where the set has them. */
static int count_standing(const struct looking *looking, const struct multitone_set *set)
{
    struct bins lobes[MULTITONE_MAX_TONES];
    int count = multitone_search_lobes(set, looking->search->length, 1, 1, lobes);
    struct powers_view view = {&looking->spectrum, looking->window, lobes, count};
    double threshold = statistics_line_threshold(looking->spectrum.segments, set->count);
    int standing = 0;
    for (int i = 0; i < set->count; i++) {
        double bin = set->places[i].cycles * looking->search->length, power = 0;
        double density = powers_under(&view, bins_lobe(bin), 1).mean;
        double off = peak_near(&looking->spectrum, bin, 1.5, &power) - bin;
        standing += fabs(off) <= tolerance_bins && power > threshold * density;
    }
    return standing;
}

/* A line within a tone's lobe, but beside its place, and as strong as a tone may be: the
 * tone of another signal, which leaks out of the lobe. */
static void find_displaced(const struct looking *looking, struct multitone_set *set)
{
    int length = looking->search->length;
    double tracked = set->places[set->tracked].cycles * length, power = 0;
    double least = looking->spectrum.sum[lround(tracked)] * decibel_to_power(-droop_db);
    for (int i = 0; i < set->count; i++) {
        double bin = set->places[i].cycles * length;
        double off = peak_near(&looking->spectrum, bin, LOBE, &power) - bin;
        if (fabs(off) > fmax(tolerance_bins, fabs(set->displaced_bins)) &&
            power > least) {
            set->displaced = i;
            set->displaced_bins = off;
        }
    }
}

static void find_told(const struct looking *looking,
                      const struct multitone_request *request, struct multitone_set *set)
{
    take_told(looking, request, set);
    if (set->count == 0)
        return;
    set->found = find_clock(looking, set) ? count_standing(looking, set) : 0;
    if (2 * set->found < set->count)
        set->count = 0;
    else
        find_displaced(looking, set);
}

struct peak {
    int bin;
    double power;
};

static int by_power(const void *a, const void *b)
{
    const struct peak *left = a, *right = b;
    if (left->power != right->power)
        return left->power < right->power ? 1 : -1;
    return left->bin - right->bin;
}

static int by_bin(const void *a, const void *b)
{
    return ((const struct peak *)a)->bin - ((const struct peak *)b)->bin;
}

static bool is_peak(const double *powers, int bin, int bins)
{
    for (int d = 1; d <= PEAK_REACH; d++)
        if ((bin >= d && powers[bin - d] > powers[bin]) ||
            (bin + d < bins && powers[bin + d] >= powers[bin]))
            return false;
    return true;
}

/* Peaks of the band down to `deepest_db` below the strongest, the strongest first. Gives
 * them (NULL: no memory). */
static struct peak *list_peaks(const struct spectrum *spectrum, struct bins range,
                               int *ret_count)
{
    double strongest = 0;
    for (int j = range.first; j <= range.last; j++)
        strongest = fmax(strongest, spectrum->sum[j]);
    double least = strongest * decibel_to_power(-deepest_db);
    int count = 0, room = bins_width(range) / (PEAK_REACH + 1) + 2;
    struct peak *peaks = malloc((size_t)room * sizeof *peaks);
    for (int j = range.first; peaks && j <= range.last; j++)
        if (spectrum->sum[j] > 0 && spectrum->sum[j] >= least &&
            is_peak(spectrum->sum, j, spectrum->bins))
            peaks[count++] = (struct peak){j, spectrum->sum[j]};
    if (peaks)
        qsort(peaks, (size_t)count, sizeof *peaks, by_power);
    *ret_count = count;
    return peaks;
}

/* How many of the strongest stand clear of the rest; fills the widest step. */
static int widest_gap(const struct peak *peaks, int count, double *ret_gap_db)
{
    int best = 0;
    *ret_gap_db = 0;
    for (int n = 1; n <= count && n <= MULTITONE_MAX_TONES; n++) {
        double below_db = decibel_from_power(peaks[0].power / peaks[n - 1].power);
        double next_db =
            n < count ? decibel_from_power(peaks[0].power / peaks[n].power) : deepest_db;
        if (below_db <= droop_db && next_db - below_db > *ret_gap_db) {
            *ret_gap_db = next_db - below_db;
            best = n;
        }
    }
    return best;
}

/* Where tones may lie: the band, a little widened, away from dc and half the rate. */
static struct bins search_range(const struct looking *looking,
                                const struct multitone_request *request)
{
    int length = looking->search->length;
    double bin_hz = bin_hz_of(looking);
    double low_hz = request->band_hz[0], high_hz = request->band_hz[1];
    low_hz = fmin(low_hz - LOBE * bin_hz, low_hz / (1 + near_share));
    high_hz = fmax(high_hz + LOBE * bin_hz, high_hz / (1 - near_share));
    return bins_within(bins_of_band(low_hz, high_hz, bin_hz, length),
                       (struct bins){LOBE + 1, length / 2 - LOBE});
}

static bool find_untold(const struct looking *looking,
                        const struct multitone_request *request,
                        struct multitone_set *set, struct problem *problem)
{
    double bins[MULTITONE_MAX_TONES], powers[MULTITONE_MAX_TONES];
    int count = 0;
    struct peak *peaks =
        list_peaks(&looking->spectrum, search_range(looking, request), &count);
    if (!peaks)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory to list the peaks of a spectrum.");
    set->found = widest_gap(peaks, count, &set->gap_db);
    if (set->gap_db < least_gap_db)
        set->found = 0;
    set->count = set->found;
    qsort(peaks, (size_t)set->count, sizeof *peaks, by_bin);
    for (int i = 0; i < set->count; i++) {
        bins[i] = lines_interpolate(looking->spectrum.sum, peaks[i].bin);
        powers[i] = peaks[i].power;
        set->places[i] = (struct multitone_place){bins[i] / looking->search->length, 0};
    }
    /* Peaks of a broad hump, as a sweep leaves, are no tones. */
    if (count_standing(looking, set) < set->count) {
        set->found = 0;
        set->gap_db = 0;
    }
    if (set->found < 2)
        set->count = 0;
    set->tracked = choose_tracked(powers, bins, set->count);
    free(peaks);
    return true;
}

bool multitone_search_find(struct capture *capture, const struct multitone_search *search,
                           const struct multitone_request *request,
                           struct fft_cache *cache, struct multitone_set *ret,
                           struct problem *problem)
{
    struct looking looking = {.search = search, .cache = cache};
    struct multitone_set set = {.length = search->length};
    bool told = request->told_count > 0;
    bool done = look(capture, &looking, told ? 1 : LOOKS, problem);
    if (done && told)
        find_told(&looking, request, &set);
    else if (done)
        done = find_untold(&looking, request, &set, problem);
    if (done)
        *ret = set;
    fft_buffer_free(looking.buffer);
    free(looking.powers);
    spectrum_free(&looking.spectrum);
    return done;
}
