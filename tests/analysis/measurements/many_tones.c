#include "tests/analysis/measurements/many_tones.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "analysis/core/decibel.h"
#include "analysis/measurements/multitone.h"
#include "analysis/signals/multitone.h"

struct settings many_tones_played(int count)
{
    struct settings played;
    synthetic_defaults(&multitone_signal.description, &played);
    played.values[MULTITONE_COUNT].number = count;
    return played;
}

struct many_tones many_tones_of_signal(const struct settings *played, double gain_db)
{
    struct settings defaults = many_tones_played(31);
    struct multitone_tone told[MULTITONE_MAX_TONES];
    struct many_tones tones = {.sample_rate_hz = 48000, .channels = 1, .duration_s = 10};
    played = played ? played : &defaults;
    double rate = signal_form(played).sample_rate_hz;
    struct problem problem = {0};
    int count = multitone_tones(played, told, &problem);
    assert_true(count > 0);
    double amplitude = multitone_amplitude(played) * decibel_to_amplitude(gain_db);
    for (int i = 0; i < count; i++)
        many_tones_add(&tones,
                       (struct many_tones_tone){
                           (double)told[i].cycles / (double)told[i].period_frames * rate,
                           amplitude, told[i].phase - M_PI / 2, false});
    return tones;
}

struct many_tones many_tones_geometric(int count, double amplitude)
{
    const double step_hz = 48000.0 / (1 << 17);
    struct many_tones tones = {.sample_rate_hz = 48000, .channels = 1, .duration_s = 10};
    for (int i = 0; i < count; i++) {
        double hz = 20 * pow(1000, i / (count - 1.0));
        many_tones_add(&tones, (struct many_tones_tone){round(hz / step_hz) * step_hz,
                                                        amplitude, 0, false});
    }
    return tones;
}

void many_tones_add(struct many_tones *tones, struct many_tones_tone more)
{
    assert_true(tones->count < MANY_TONES_MAX);
    tones->tones[tones->count++] = more;
}

void many_tones_noise(struct many_tones *tones, double level_dbfs)
{
    tones->noise_rms = sqrt(dbfs_to_mean_square(level_dbfs) * tones->sample_rate_hz / 2 /
                            (20000.0 - 20));
    tones->random = support_random_seed(1);
}

/* Phases exact at the block's start, turned from sample to sample within it. */
static void fill_block(struct many_tones *tones, int64_t n)
{
    double rate = tones->sample_rate_hz;
    memset(tones->block, 0, sizeof tones->block);
    for (int i = 0; i < tones->count; i++) {
        const struct many_tones_tone *tone = &tones->tones[i];
        double ppm = tone->own_clock ? 0 : tones->ppm;
        double drift = tone->own_clock ? 0 : tones->drift_ppm_per_s;
        double turns = synthetic_turns(tone->hz, ppm, drift, tones->sample_rate_hz, n);
        double at_s = (double)n / rate;
        double hz = tone->hz * (1 + 1e-6 * (ppm + drift * at_s));
        double hz_per_s = tone->hz * 1e-6 * drift;
        double complex z = tone->amplitude * cexp(I * (2 * M_PI * turns + tone->phase));
        double complex step = cexp(I * 2 * M_PI * (hz + hz_per_s / (2 * rate)) / rate);
        double complex faster = cexp(I * 2 * M_PI * hz_per_s / rate / rate);
        for (int k = 0; k < MANY_TONES_BLOCK; k++) {
            tones->block[k] += creal(z);
            z *= step;
            step *= faster;
        }
    }
}

static double sample(int64_t n, int channel, void *context)
{
    struct many_tones *tones = context;
    if (channel == 0 && n % MANY_TONES_BLOCK == 0)
        fill_block(tones, n);
    double value = tones->block[n % MANY_TONES_BLOCK];
    if (tones->noise_rms > 0)
        value += tones->noise_rms * support_gaussian(&tones->random);
    return tones->shape ? tones->shape(value) : value;
}

int many_tones_recording(struct many_tones *tones)
{
    struct synthetic synthetic = {
        tones->sample_rate_hz, tones->channels, tones->duration_s, 0, sample, tones};
    return synthetic_recording(&synthetic);
}

struct report *many_tones_try(struct many_tones *tones, const struct settings *played,
                              struct problem *problem)
{
    int descriptor = many_tones_recording(tones);
    struct report *report =
        synthetic_measure_of(&multitone_measurement, descriptor, NULL,
                             played ? &multitone_signal : NULL, played, problem);
    close(descriptor);
    return report;
}

struct report *many_tones_measure(struct many_tones *tones, const struct settings *played)
{
    struct problem problem = {0};
    struct report *report = many_tones_try(tones, played, &problem);
    if (!report)
        fail_msg("%s: %s", problem_code(problem.kind), problem.detail);
    return report;
}

const struct report_series *many_tones_series(const struct report *report, int c,
                                              const char *name)
{
    for (int i = 0; i < report->description->series_count; i++)
        if (strcmp(report->description->series[i].name, name) == 0)
            return &report->channels[c].series[i];
    fail_msg("there is no series %s", name);
    return NULL;
}

int many_tones_rows(const struct report *report, int c, const char *list)
{
    for (int i = 0; i < report->description->list_count; i++)
        if (strcmp(report->description->lists[i].name, list) == 0)
            return report->channels[c].lists[i].count;
    fail_msg("there is no list %s", list);
    return -1;
}
