#include "analysis/measurements/tone_search.h"

#include <math.h>
#include <stdlib.h>

#include "analysis/dsp/lines.h"
#include "analysis/dsp/spectrum.h"
#include "analysis/measurements/segments.h"

enum { SEARCH_STEPS = 12, LOBE = WINDOW_BLACKMAN_HARRIS_7_LOBE_BINS, SIDE_BINS = 64 };

struct looking {
    const struct tone_search *search;
    struct fft_cache *cache;
    const struct window *window;
    double *buffer, *powers;
    struct tone_fit *found;
    int count;
};

static bool is_taken(const struct looking *looking, int bin)
{
    for (int i = 0; i < looking->count; i++)
        if (fabs(looking->found[i].cycles * looking->search->length - bin) <= LOBE)
            return true;
    return false;
}

/* The strongest peak of the range, if noise would not reach it there. The slope of a line
 * that stands outside the range, or half hidden by a tone, is no peak. */
static int find_peak(const struct looking *looking, struct bins range)
{
    const double *powers = looking->powers;
    int peak = -1;
    for (int j = range.first; j <= range.last; j++)
        if ((peak < 0 || powers[j] > powers[peak]) && powers[j] >= powers[j - 1] &&
            powers[j] >= powers[j + 1] && !is_taken(looking, j))
            peak = j;
    if (peak < 0 || powers[peak] <= 0)
        return -1;
    struct bins lobe = bins_lobe(peak);
    struct spectrum_surroundings around = {powers, looking->search->length / 2 + 1, &lobe,
                                           1, SIDE_BINS};
    double density = spectrum_density_beside(&around, lobe).mean;
    double threshold = statistics_line_threshold(1, bins_width(range));
    return powers[peak] > threshold * density ? peak : -1;
}

static bool look_at_segment(int plan, int64_t index, const double *samples, void *context,
                            struct problem *problem)
{
    struct looking *looking = context;
    const struct tone_search *search = looking->search;
    const struct window *window = looking->window;
    struct tone_fit_segment segment = {samples, search->span.dc, window};
    int length = search->length;
    double bin_hz = (double)search->sample_rate_hz / length;
    /* The peak of a tone at the range's edge is half a bin beyond it at most. */
    struct bins band = bins_of_band(search->low_hz, search->high_hz, bin_hz, length);
    struct bins range = bins_within((struct bins){band.first - 1, band.last + 1},
                                    (struct bins){LOBE, length / 2 - LOBE});
    (void)plan;
    (void)index;
    for (int n = 0; n < length; n++)
        looking->powers[n] = (samples[n] - search->span.dc) * window->values[n];
    fft_put(looking->buffer, length, 0, looking->powers, length);
    if (!spectrum_take(looking->cache, window, looking->buffer, looking->powers, NULL,
                       problem))
        return false;
    while (looking->count < search->most) {
        int peak = find_peak(looking, range);
        if (peak < 1)
            return true;
        double start = lines_interpolate(looking->powers, peak) / length;
        looking->found[looking->count++] =
            tone_fit_segment(&segment, start, SEARCH_STEPS, NULL);
    }
    return true;
}

bool tone_search_find(struct capture *capture, const struct tone_search *search,
                      struct fft_cache *cache, struct tone_fit *found, int *ret_count,
                      struct problem *problem)
{
    int length = search->length;
    struct segment_plan plan = {search->channel, search->span.first_frame, length,
                                length / 2, 1};
    struct looking looking = {.search = search, .cache = cache, .found = found};
    if (!fft_window(cache, WINDOW_BLACKMAN_HARRIS_7, length, &looking.window, problem))
        return false;
    looking.buffer = fft_buffer_new(length);
    looking.powers =
        search->powers ? search->powers : malloc((size_t)length * sizeof *looking.powers);
    bool done = (looking.buffer && looking.powers) ||
                problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                            "No memory for a transform of %d samples.", length);
    done = done &&
           segments_feed(capture, &plan, 1, look_at_segment, &looking, NULL, problem);
    if (done)
        *ret_count = looking.count;
    fft_buffer_free(looking.buffer);
    if (looking.powers != search->powers)
        free(looking.powers);
    return done;
}
