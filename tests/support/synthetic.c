#include "tests/support/synthetic.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sndfile.h>

#include "tests/support/support.h"

int synthetic_recording(const struct synthetic *synthetic)
{
    enum { BLOCK = 8192 };
    char path[] = "/tmp/residuum-recording-XXXXXX";
    int descriptor = mkstemp(path);
    assert_true(descriptor >= 0);
    unlink(path);
    SF_INFO info = {.samplerate = synthetic->sample_rate_hz,
                    .channels = synthetic->channels,
                    .format = synthetic->format ? synthetic->format
                                                : SF_FORMAT_WAV | SF_FORMAT_DOUBLE};
    SNDFILE *file = sf_open_fd(dup(descriptor), SFM_WRITE, &info, SF_TRUE);
    assert_non_null(file);
    sf_command(file, SFC_SET_CLIPPING, NULL, SF_TRUE);
    double *block = malloc(sizeof(double) * BLOCK * (size_t)synthetic->channels);
    int64_t frames = llround(synthetic->duration_s * synthetic->sample_rate_hz);
    for (int64_t at = 0; at < frames; at += BLOCK) {
        int64_t count = frames - at < BLOCK ? frames - at : BLOCK;
        for (int64_t n = 0; n < count; n++)
            for (int c = 0; c < synthetic->channels; c++)
                block[n * synthetic->channels + c] =
                    synthetic->sample(at + n, c, synthetic->context);
        assert_int_equal(sf_writef_double(file, block, count), count);
    }
    free(block);
    sf_close(file);
    lseek(descriptor, 0, SEEK_SET);
    return descriptor;
}

double synthetic_turns(double frequency_hz, double ppm, double drift_ppm_per_s,
                       int sample_rate_hz, int64_t n)
{
    /* The nominal part is exact for whole frequencies, so that undithered tones repeat.
     */
    long double t = (long double)n / sample_rate_hz;
    long double turns =
        fmodl((long double)frequency_hz * n, sample_rate_hz) / sample_rate_hz;
    turns += frequency_hz * 1e-6L * (ppm * t + drift_ppm_per_s * 0.5L * t * t);
    return (double)(turns - floorl(turns));
}

static void default_of(const struct setting_description *setting,
                       struct setting_value *ret)
{
    const char *text = setting->default_json;
    *ret = (struct setting_value){.given = strcmp(text, "null") != 0, .choice = -1};
    if (text[0] == '[')
        assert_int_equal(sscanf(text, "[%lf,%lf]", &ret->range[0], &ret->range[1]), 2);
    else if (text[0] == '"')
        ret->choice = 0; /* the first choice is the default in every table */
    else
        ret->number = strtod(text, NULL);
}

void synthetic_defaults(const struct description *description, struct settings *ret)
{
    *ret = (struct settings){.description = description};
    for (int i = 0; i < description->setting_count; i++)
        default_of(&description->settings[i], &ret->values[i]);
}

struct report *synthetic_measure(const struct measurement *measurement, int descriptor,
                                 const struct settings *settings, struct problem *problem)
{
    return synthetic_measure_of(measurement, descriptor, settings, NULL, NULL, problem);
}

struct report *synthetic_measure_of(const struct measurement *measurement, int descriptor,
                                    const struct settings *settings,
                                    const struct signal *signal,
                                    const struct settings *played,
                                    struct problem *problem)
{
    struct settings defaults;
    struct capture *capture = NULL;
    struct report *report = NULL;
    int channels[CAPTURE_MAX_CHANNELS], count = 0;
    synthetic_defaults(&measurement->description, &defaults);
    if (!settings)
        settings = &defaults;
    assert_true(lseek(descriptor, 0, SEEK_SET) == 0);
    if (!capture_open(descriptor, &capture, problem))
        return NULL;
    const struct setting_value *chosen = &settings->values[SETTING_COMMON_CHANNELS];
    for (int c = 0; c < capture_format(capture)->channels && !chosen->given; c++)
        channels[count++] = c + 1;
    for (int c = 0; chosen->given && c < chosen->list_count; c++)
        channels[count++] = chosen->list[c];
    report = report_new(&measurement->description, channels, count);
    assert_non_null(report);
    struct measurement_input input = {.capture = capture,
                                      .settings = settings,
                                      .signal = signal,
                                      .played = played,
                                      .cache = fft_cache_new()};
    assert_non_null(input.cache);
    if (!measurement->run(&input, report, problem)) {
        report_free(report);
        report = NULL;
    }
    capture_close(capture);
    fft_cache_free(input.cache);
    return report;
}

const struct report_figure *synthetic_figure(const struct report *report, int c,
                                             const char *name)
{
    for (int i = 0; i < report->description->figure_count; i++)
        if (strcmp(report->description->figures[i].name, name) == 0)
            return &report->channels[c].figures[i];
    fail_msg("there is no figure %s", name);
    return NULL;
}

double synthetic_value(const struct report *report, int c, const char *name)
{
    const struct report_figure *figure = synthetic_figure(report, c, name);
    if (!figure->has_value)
        fail_msg("%s is null: %s, bound %g", name, reason_text(figure->reason),
                 figure->has_bound ? figure->bound : NAN);
    return figure->value;
}
