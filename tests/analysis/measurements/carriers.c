#include "tests/analysis/measurements/carriers.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/jitter.h"

struct carriers carriers_of(double hz)
{
    return (struct carriers){.sample_rate_hz = 48000,
                             .channels = 1,
                             .duration_s = 10,
                             .hz = hz,
                             .level_dbfs = -3.0103,
                             .ppm = 37,
                             .phase = 0.7,
                             .random = support_random_seed(81)};
}

static double sum_of(const struct carriers_line *lines, int count, int rate, int64_t n)
{
    double sum = 0;
    for (int i = 0; i < count; i++)
        sum +=
            lines[i].amount *
            cos(2 * M_PI * synthetic_turns(lines[i].hz, 0, 0, rate, n) + lines[i].phase);
    return sum;
}

static double sample(int64_t n, int channel, void *context)
{
    struct carriers *carriers = context;
    int rate = carriers->sample_rate_hz;
    double jitter_s = sum_of(carriers->jitter_s, carriers->jitter_count, rate, n);
    double depth = sum_of(carriers->depth, carriers->depth_count, rate, n);
    (void)channel;
    if (carriers->random_jitter_s > 0)
        jitter_s += carriers->random_jitter_s * support_gaussian(&carriers->random);
    double turns =
        synthetic_turns(carriers->hz, carriers->ppm, carriers->drift_ppm_per_s, rate, n);
    double value =
        (1 + depth) * cos(2 * M_PI * (turns + carriers->hz * jitter_s) + carriers->phase);
    value += sum_of(carriers->added, carriers->added_count, rate, n);
    value *= decibel_to_amplitude(carriers->level_dbfs);
    if (carriers->noise_rms > 0)
        value += carriers->noise_rms * support_gaussian(&carriers->random);
    return value;
}

struct report *carriers_measure(struct carriers *carriers,
                                const struct settings *settings)
{
    struct synthetic synthetic = {carriers->sample_rate_hz,
                                  carriers->channels,
                                  carriers->duration_s,
                                  0,
                                  sample,
                                  carriers};
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    struct report *report =
        synthetic_measure(&jitter_measurement, descriptor, settings, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    close(descriptor);
    return report;
}

double carriers_dbc(double carrier_hz, double jitter_peak_s)
{
    return 20 * log10(M_PI * carrier_hz * jitter_peak_s);
}

int carriers_rows(const struct report *report, int c)
{
    return report->channels[c].lists[0].count;
}

static const struct report_cell *cell_of(const struct report *report, int c, int row,
                                         const char *field)
{
    const struct list_description *list = &report->description->lists[0];
    int fields = 0, wanted = -1;
    for (; fields < DESCRIPTION_MAX_FIELDS && list->fields[fields].name; fields++)
        if (strcmp(list->fields[fields].name, field) == 0)
            wanted = fields;
    assert_true(wanted >= 0 && row >= 0 && row < carriers_rows(report, c));
    return &report->channels[c].lists[0].cells[row * fields + wanted];
}

double carriers_cell(const struct report *report, int c, int row, const char *field)
{
    const struct report_cell *cell = cell_of(report, c, row, field);
    return cell->is_null ? NAN : cell->number;
}

const char *carriers_word(const struct report *report, int c, int row, const char *field)
{
    const struct report_cell *cell = cell_of(report, c, row, field);
    return cell->is_null ? "null" : cell->word;
}

int carriers_row(const struct report *report, int c, double hz)
{
    for (int row = 0; row < carriers_rows(report, c); row++)
        if (fabs(carriers_cell(report, c, row, "offset_hz") - hz) < 0.5)
            return row;
    fail_msg("no sideband is listed at %g Hz", hz);
    return -1;
}
