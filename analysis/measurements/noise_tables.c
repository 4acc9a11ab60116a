#include "analysis/measurements/noise_tables.h"

#define AES17 "AES17"
#define A_CURVE "IEC 61672-1"
#define CURVE_468 "ITU-R BS.468-4"
#define TONE "tone_level"
#define PRACTICE "common practice, no source"

/* Floors: hum is locked to the mains in device and recorder alike, so that it adds as
 * harmonics do; noise adds as powers. */
const struct figure_description noise_tables_figures[NOISE_FIGURES] = {
    [FIGURE_NOISE_LEVEL] = {"noise_level", "dBFS",
                            "level of all in band: hum and lines count, and beside a "
                            "tone its harmonics, the tone itself (±1 %) does not",
                            AES17, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_LEVEL_A] = {"noise_level_a", "dBFS", "noise_level, A-weighted", A_CURVE,
                              BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_LEVEL_468] = {"noise_level_468", "dBFS",
                                "noise_level through the BS.468 curve as rms, 0 dB at "
                                "2 kHz (CCIR-RMS)",
                                AES17 ", " CURVE_468, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_LEVEL_468_QUASI_PEAK] =
        {"noise_level_468_quasi_peak", "dBFS",
         "idle noise through the BS.468 curve, 0 dB at 1 kHz, and its quasi-peak "
         "detector: mean of the needle over the span, settled before; not limited to "
         "the band; null beside a tone",
         CURVE_468, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE] = {"noise_voltage", "V", "rms voltage of noise_level",
                              PRACTICE, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE_A] = {"noise_voltage_a", "V", "rms voltage of noise_level_a",
                                A_CURVE, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE_468] = {"noise_voltage_468", "V",
                                  "rms voltage of noise_level_468", AES17 ", " CURVE_468,
                                  BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE_468_QUASI_PEAK] = {"noise_voltage_468_quasi_peak", "V",
                                             "voltage of noise_level_468_quasi_peak, as "
                                             "the rms of a sine that reads the same",
                                             CURVE_468, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_DENSITY] = {"noise_density", "dBFS/√Hz",
                              "mean density in band of what is left of noise_level "
                              "without its lines",
                              PRACTICE, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_DENSITY_VOLTAGE] = {"noise_density_voltage", "V/√Hz",
                                      "voltage of noise_density", PRACTICE, BETTER_LOWER,
                                      FLOOR_NOISE, NULL},
    [FIGURE_OUT_OF_BAND_NOISE] = {"out_of_band_noise", "dBFS",
                                  "level from 20 kHz to 0.45 of the sample rate",
                                  PRACTICE, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_DYNAMIC_RANGE] =
        {"dynamic_range", "dB",
         "full_scale_level_dbfs, or else tone_level + 60 (or less the level at which "
         "the tone was played, as told), less noise_level; null without either, and "
         "where the tone is not within 20 dB of -60 dBFS",
         AES17, BETTER_HIGHER, FLOOR_NOISE, TONE},
    [FIGURE_DYNAMIC_RANGE_A] = {"dynamic_range_a", "dB", "the same with noise_level_a",
                                AES17 ", " A_CURVE, BETTER_HIGHER, FLOOR_NOISE, TONE},
    [FIGURE_DYNAMIC_RANGE_468] = {"dynamic_range_468", "dB",
                                  "the same with noise_level_468", AES17, BETTER_HIGHER,
                                  FLOOR_NOISE, TONE},
    [FIGURE_DYNAMIC_RANGE_BITS] = {"dynamic_range_bits", "bit",
                                   "(dynamic_range - 1.76) / 6.02", "IEEE 1241",
                                   BETTER_HIGHER, FLOOR_NOISE, TONE},
    [FIGURE_MAINS_LEVEL] = {"mains_level", "dBFS",
                            "level of the first ten multiples of 50 or 60 Hz together, "
                            "less the noise under them",
                            PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, NULL},
    [FIGURE_TONE_FREQUENCY] = {"tone_frequency", "Hz",
                               "frequency of the tone that was found; null when idle",
                               "IEEE 1057, weighted sine fit", BETTER_NONE, FLOOR_NONE,
                               NULL},
    [FIGURE_TONE_LEVEL] = {"tone_level", "dBFS",
                           "level of the tone that was found; null when idle", AES17,
                           BETTER_NONE, FLOOR_NONE, NULL},
};

const struct list_description noise_tables_lists[NOISE_LISTS] = {
    [LIST_MAINS] = {"mains",
                    "the multiples of 50 or 60 Hz that stand out of the noise",
                    {{"frequency_hz", VALUE_NUMBER, "Hz"},
                     {"level_dbfs", VALUE_NUMBER, "dBFS"},
                     {"u95_db", VALUE_NUMBER, "dB"},
                     {"order", VALUE_NUMBER, ""}}},
    [LIST_LINES] = {"lines",
                    "other lines in band, the strongest first: harmonics of the tone, "
                    "mains of the other family, spurs",
                    {{"frequency_hz", VALUE_NUMBER, "Hz"},
                     {"level_dbfs", VALUE_NUMBER, "dBFS"},
                     {"u95_db", VALUE_NUMBER, "dB"},
                     {"kind", VALUE_WORD, ""}}},
};

const struct series_description noise_tables_series[NOISE_SERIES] = {
    [SERIES_SPECTRUM] = {"spectrum",
                         "averaged power spectrum through the 7-term window; a line at a "
                         "bin's centre reads its level, noise its level in the "
                         "resolution bandwidth",
                         {"frequency", "Hz"},
                         {"level", "dBFS"}},
};
