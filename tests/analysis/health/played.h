/** Recordings of our signals through a device, for tests. */
#ifndef TESTS_ANALYSIS_HEALTH_PLAYED_H
#define TESTS_ANALYSIS_HEALTH_PLAYED_H

#include <math.h>

#include "analysis/signals/white_noise.h"
#include "tests/analysis/health/recording.h"

/** Noise of −12 dBFS. */
static inline struct settings played_settings(int rate_hz, int channels,
                                              double duration_s)
{
    struct settings settings = {.description = &white_noise_signal.description};
    const double numbers[] = {rate_hz, 24, channels, duration_s, -12};
    for (int i = 0; i < WHITE_NOISE_PARAMETER_COUNT; i++)
        settings.values[i] =
            (struct setting_value){.given = true, .choice = -1, .number = numbers[i]};
    return settings;
}

/** What is done to the signal on its way. */
struct played_device {
    double gain;          /* negative: the polarity is inverted */
    double ppm;           /* of the recorder's clock, fast; 0: samples pass as they are */
    double drift_ppm;     /* more of it at the end */
    double cutoff_hz;     /* linear-phase low-pass; 0: none */
    double noise_db;      /* relative to noise of −12 dBFS; 0: none */
    double late_s;        /* silence before; negative: the beginning is not there */
    double second, third; /* distortion: coefficients of x² and x³ */
    double dc;
    int rate_hz; /* of the recording; 0: the signal's */
};

enum { PLAYED_TAPS = 128, PLAYED_TABLE = 512 };

/* A low-pass up to `cutoff` (of half the sample rate), windowed; t in frames. */
static inline double played_kernel(double t, double cutoff)
{
    double at = M_PI * t * cutoff, half = PLAYED_TAPS / 2;
    if (fabs(t) >= half)
        return 0;
    double window = 0.5 + 0.5 * cos(M_PI * t / half);
    return cutoff * window * (fabs(at) < 1e-9 ? 1 : sin(at) / at);
}

/* All frames of the signal, interleaved, at full scale ±1.0. */
static inline double *played_rendering(const struct settings *settings, int64_t *ret)
{
    struct signal_form form = signal_form(settings);
    const struct signal *signal = signal_find(settings->description->name);
    struct signal_stream *stream = NULL;
    struct problem problem = {0};
    int64_t count = form.frames * form.channels;
    int32_t *whole = malloc((size_t)count * sizeof *whole);
    double *samples = malloc((size_t)count * sizeof *samples);
    assert_true(whole && samples);
    assert_true(signal->begin(settings, &stream, &problem));
    signal->next(stream, whole, form.frames);
    signal->end(stream);
    for (int64_t i = 0; i < count; i++)
        samples[i] = ldexp(whole[i], 1 - form.bits);
    free(whole);
    *ret = form.frames;
    return samples;
}

/** Records `duration_s` of the signal through the device; samples of all channels. */
static inline struct recording played_recording(const struct settings *settings,
                                                const struct played_device *device,
                                                double duration_s,
                                                struct support_random *random)
{
    struct signal_form form = signal_form(settings);
    int channels = form.channels;
    int rate_hz = device->rate_hz > 0 ? device->rate_hz : form.sample_rate_hz;
    double ratio = (double)form.sample_rate_hz / rate_hz;
    int64_t frames;
    double *signal = played_rendering(settings, &frames);
    double cutoff =
        device->cutoff_hz > 0 ? 2 * device->cutoff_hz / form.sample_rate_hz : 1;
    bool plain = fabs(device->ppm) + fabs(device->drift_ppm) + device->cutoff_hz <= 0 &&
                 rate_hz == form.sample_rate_hz;
    static double table[PLAYED_TAPS * PLAYED_TABLE + 1];
    for (int i = 0; i <= PLAYED_TAPS * PLAYED_TABLE; i++)
        table[i] = played_kernel((double)i / PLAYED_TABLE - PLAYED_TAPS / 2.0, cutoff);
    struct recording recording =
        recording_new(rate_hz, channels, (int64_t)(duration_s * rate_hz));
    recording.format = SF_FORMAT_WAV | SF_FORMAT_PCM_24;
    recording.signal = signal_find(settings->description->name);
    recording.parameters = settings;
    double noise = pow(10, (-12 + device->noise_db) / 20) * M_SQRT1_2 *
                   fabs(device->gain) * (device->noise_db < 0);
    for (int64_t n = 0; n < recording.frames; n++) {
        double share = (double)n / (double)recording.frames;
        double at = (double)n - device->late_s * rate_hz -
                    1e-6 * (double)n * (device->ppm + device->drift_ppm * share / 2);
        at *= ratio;
        int64_t whole = (int64_t)floor(at);
        double part = plain ? 0 : at - (double)whole;
        for (int c = 0; c < channels; c++) {
            double sum = 0;
            for (int64_t k = plain ? 0 : 1 - PLAYED_TAPS / 2;
                 k <= (plain ? 0 : PLAYED_TAPS / 2); k++)
                if (whole + k >= 0 && whole + k < frames)
                    sum += signal[(whole + k) * channels + c] *
                           (plain ? 1
                                  : table[(int)(((double)k - part + PLAYED_TAPS / 2.0) *
                                                PLAYED_TABLE)]);
            sum += device->second * sum * sum + device->third * sum * sum * sum;
            recording.samples[n * channels + c] =
                device->gain * sum + device->dc + noise * support_gaussian(random);
        }
    }
    free(signal);
    return recording;
}

#endif
