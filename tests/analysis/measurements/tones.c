#include "tests/analysis/measurements/tones.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/measurements/distortion.h"

struct partial tones_harmonic_of(double order, double amplitude, double phase)
{
    return (struct partial){order, amplitude, phase, 0};
}

struct partial tones_line(double hz, double amplitude, double phase)
{
    return (struct partial){0, amplitude, phase, hz};
}

static double sample(int64_t n, int channel, void *context)
{
    struct tones *tones = context;
    double turns = synthetic_turns(tones->frequency_hz, tones->ppm,
                                   tones->drift_ppm_per_s, tones->sample_rate_hz, n);
    double phase = 2 * M_PI * turns + tones->phase, value = tones->dc;
    (void)channel;
    for (int i = 0; i < tones->partial_count; i++) {
        const struct partial *partial = &tones->partials[i];
        double own = partial->order * phase;
        if (partial->hz > 0)
            own = 2 * M_PI * synthetic_turns(partial->hz, 0, 0, tones->sample_rate_hz, n);
        value += partial->amplitude * sin(own + partial->phase);
    }
    if (tones->noise_rms > 0)
        value += tones->noise_rms * support_gaussian(&tones->random);
    if (tones->shape)
        value = tones->shape(value);
    if (tones->quantise_bits) {
        double scale = ldexp(1, tones->quantise_bits - 1);
        double dither = tones->dither ? support_uniform(&tones->random) -
                                            support_uniform(&tones->random)
                                      : 0;
        value = rint(value * scale + dither) / scale;
    }
    return value;
}

int tones_recording(struct tones *tones)
{
    struct synthetic synthetic = {tones->sample_rate_hz,
                                  tones->channels ? tones->channels : 1,
                                  tones->duration_s,
                                  0,
                                  sample,
                                  tones};
    return synthetic_recording(&synthetic);
}

struct report *tones_measure(struct tones *tones, const struct settings *settings)
{
    struct problem problem = {0};
    int descriptor = tones_recording(tones);
    struct report *report =
        synthetic_measure(&distortion_measurement, descriptor, settings, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    close(descriptor);
    return report;
}

static struct setting_value *value_of(struct settings *settings, const char *name)
{
    for (int i = 0; i < settings->description->setting_count; i++)
        if (strcmp(settings->description->settings[i].name, name) == 0)
            return &settings->values[i];
    fail_msg("there is no setting %s", name);
    return NULL;
}

struct settings tones_settings(double frequency_hz)
{
    struct settings settings;
    synthetic_defaults(&distortion_measurement.description, &settings);
    if (frequency_hz > 0) {
        struct setting_value *value = value_of(&settings, "frequency_hz");
        value->given = true;
        value->number = frequency_hz;
    }
    return settings;
}

double tones_cell(const struct report *report, int c, const char *list, int row,
                  const char *field)
{
    const struct description *description = report->description;
    for (int i = 0; i < description->list_count; i++) {
        const struct list_description *found = &description->lists[i];
        int fields = 0, wanted = -1;
        if (strcmp(found->name, list) != 0)
            continue;
        for (; fields < DESCRIPTION_MAX_FIELDS && found->fields[fields].name; fields++)
            if (strcmp(found->fields[fields].name, field) == 0)
                wanted = fields;
        const struct report_rows *rows = &report->channels[c].lists[i];
        assert_true(wanted >= 0 && row < rows->count);
        const struct report_cell *cell = &rows->cells[row * fields + wanted];
        if (cell->is_null)
            return NAN;
        return cell->type == VALUE_BOOLEAN ? cell->flag : cell->number;
    }
    fail_msg("there is no list %s", list);
    return NAN;
}

double tones_harmonic(const struct report *report, int c, int order, const char *field)
{
    return tones_cell(report, c, "harmonics", order - 2, field);
}
