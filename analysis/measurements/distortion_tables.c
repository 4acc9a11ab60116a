#include "analysis/measurements/distortion_tables.h"

#define AES17 "AES17"
#define IEEE1241 "IEEE 1241"
#define TONE "fundamental_level"
#define PRACTICE "common practice, no source"

/* Floors: hum is locked to the mains in device and recorder alike, so that it adds as
 * harmonics do; where noise and harmonics both enter, the harder rule holds. */
const struct figure_description distortion_tables_figures[DISTORTION_FIGURES] = {
    [FIGURE_FUNDAMENTAL_FREQUENCY] = {"fundamental_frequency", "Hz",
                                      "frequency of the tone, mean over the span",
                                      "IEEE 1057, weighted sine fit", BETTER_NONE,
                                      FLOOR_NONE, NULL},
    [FIGURE_FUNDAMENTAL_LEVEL] =
        {"fundamental_level", "dBFS",
         "level of the fundamental alone; a sine of peak 1.0 is 0", AES17 ", IEC 61606",
         BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_FUNDAMENTAL_VOLTAGE] = {"fundamental_voltage", "V",
                                    "rms voltage of the fundamental alone", PRACTICE,
                                    BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_THD] =
        {"thd", "dB",
         "rms of the harmonics from the second to the highest order in band, not "
         "folded, relative to the fundamental",
         IEEE1241, BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_THD_PERCENT] = {"thd_percent", "%", "thd as a percentage of the fundamental",
                            IEEE1241, BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_THD_PLUS_NOISE] =
        {"thd_plus_noise", "dB",
         "rms of all in band beside the fundamental, relative to the "
         "total rms in band",
         AES17, BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_THD_PLUS_NOISE_PERCENT] = {"thd_plus_noise_percent", "%",
                                       "thd_plus_noise as a percentage of the total",
                                       AES17, BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_SINAD] = {"sinad", "dB",
                      "rms of the fundamental relative to all else in band", IEEE1241,
                      BETTER_HIGHER, FLOOR_HARMONIC, TONE},
    [FIGURE_ENOB] = {"enob", "bit", "(sinad - 1.76) / 6.02", IEEE1241, BETTER_HIGHER,
                     FLOOR_HARMONIC, TONE},
    [FIGURE_ENOB_FULL_SCALE] =
        {"enob_full_scale", "bit",
         "(sinad + full_scale_level_dbfs - fundamental_level - 1.76) "
         "/ 6.02",
         IEEE1241, BETTER_HIGHER, FLOOR_HARMONIC, NULL},
    [FIGURE_SNR] =
        {"snr", "dB",
         "rms of the fundamental relative to all in band that is no multiple of it",
         IEEE1241, BETTER_HIGHER, FLOOR_NOISE, TONE},
    [FIGURE_NOISE_LEVEL] = {"noise_level", "dBFS",
                            "level of all in band that is no multiple of the fundamental",
                            AES17, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_LEVEL_A] = {"noise_level_a", "dBFS", "noise_level, A-weighted",
                              "IEC 61672-1", BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE] = {"noise_voltage", "V", "rms voltage of that noise", PRACTICE,
                              BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_NOISE_VOLTAGE_A] = {"noise_voltage_a", "V", "noise_voltage, A-weighted",
                                "IEC 61672-1", BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_OUT_OF_BAND_NOISE] =
        {"out_of_band_noise", "dBFS",
         "level from 20 kHz to 0.45 of the sample rate of all that "
         "is no multiple of the fundamental",
         PRACTICE, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_SFDR] = {"sfdr", "dB",
                     "fundamental relative to the largest other line in band, harmonics "
                     "included",
                     IEEE1241, BETTER_HIGHER, FLOOR_HARMONIC, TONE},
    [FIGURE_WORST_SPUR_FREQUENCY] = {"worst_spur_frequency", "Hz",
                                     "frequency of the largest line in band that is no "
                                     "harmonic",
                                     PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_WORST_SPUR_LEVEL] = {"worst_spur_level", "dBc",
                                 "its level relative to the fundamental", PRACTICE,
                                 BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_DC_OFFSET] = {"dc_offset", "FS", "mean of the samples; full scale is 1",
                          PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_DC_VOLTAGE] = {"dc_voltage", "V", "direct voltage", PRACTICE, BETTER_NONE,
                           FLOOR_NONE, NULL},
    [FIGURE_MAINS_LEVEL] =
        {"mains_level", "dBc",
         "rms of the first ten multiples of 50 or 60 Hz, whichever family "
         "is stronger, relative to the fundamental",
         PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, TONE},
    [FIGURE_CHANNEL_LEVEL_DIFFERENCE] = {"channel_level_difference", "dB",
                                         "level of the fundamental relative to channel 1",
                                         PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_CHANNEL_PHASE_DIFFERENCE] =
        {"channel_phase_difference", "deg",
         "phase of the fundamental relative to channel 1, "
         "within 180 degrees",
         PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
};

const struct finding_description distortion_tables_findings[DISTORTION_FINDINGS] = {
    [FINDING_OVERLOAD] =
        {"overload", VALUE_BOOLEAN,
         "the tops are flat: twice as many samples stay near the extremes as "
         "a sine leaves there"},
};

const struct list_description distortion_tables_lists[DISTORTION_LISTS] = {
    [LIST_HARMONICS] =
        {"harmonics",
         "every order from the second; without a level where it does not "
         "stand above the noise or another line stands in its place, then bound_dbc "
         "says what it cannot exceed; without either where it falls on the "
         "fundamental or on a lower order",
         {{"order", VALUE_NUMBER, ""},
          {"frequency_hz", VALUE_NUMBER, "Hz"},
          {"level_dbc", VALUE_NUMBER, "dBc"},
          {"u95_db", VALUE_NUMBER, "dB"},
          {"phase_deg", VALUE_NUMBER, "deg"},
          {"above_noise", VALUE_BOOLEAN, ""},
          {"aliased", VALUE_BOOLEAN, ""},
          {"bound_dbc", VALUE_NUMBER, "dBc"}}},
    [LIST_LINES] = {"lines",
                    "lines in band that are no harmonics, the strongest first",
                    {{"frequency_hz", VALUE_NUMBER, "Hz"},
                     {"level_dbc", VALUE_NUMBER, "dBc"},
                     {"u95_db", VALUE_NUMBER, "dB"},
                     {"kind", VALUE_WORD, ""}}},
};

const struct series_description distortion_tables_series[DISTORTION_SERIES] = {
    [SERIES_SPECTRUM] = {"spectrum",
                         "averaged power spectrum through the 7-term window; a tone at a "
                         "bin's centre reads its level",
                         {"frequency", "Hz"},
                         {"level", "dBFS"}},
};
