#include "analysis/measurements/jitter_tables.h"

#include <stddef.h>

#define NARROW_BAND "narrow-band phase modulation, closed form"
#define CARRIER "carrier_level"
#define PRACTICE "common practice, no source"

/* Floors: the recorder's own sidebands may be in phase with the device's; its clock's
 * noise adds as power, whatever the level. */
const struct figure_description jitter_tables_figures[JITTER_FIGURES] = {
    [FIGURE_CARRIER_FREQUENCY] = {"carrier_frequency", "Hz",
                                  "frequency of the carrier, mean over the span",
                                  "IEEE 1057, weighted sine fit", BETTER_NONE, FLOOR_NONE,
                                  NULL},
    [FIGURE_CARRIER_LEVEL] = {"carrier_level", "dBFS",
                              "level of the carrier alone; a sine of peak 1.0 is 0",
                              "AES17, IEC 61606", BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_WORST_SIDEBAND] =
        {"worst_sideband", "dBc",
         "the largest phase modulation: one of its two sidebands relative to the "
         "carrier; "
         "lines that are added to the signal, amplitude modulation and the pattern's own "
         "lines do not count",
         NARROW_BAND, BETTER_LOWER, FLOOR_HARMONIC, CARRIER},
    [FIGURE_WORST_SIDEBAND_OFFSET] = {"worst_sideband_offset", "Hz",
                                      "its distance from the carrier: the frequency of "
                                      "the jitter",
                                      NARROW_BAND, BETTER_NONE, FLOOR_NONE, NULL},
    [FIGURE_JITTER_PEAK_TO_PEAK] =
        {"jitter_peak_to_peak", "s",
         "from the earliest to the latest instant: of the sum of all lines of phase "
         "modulation from 15 bins of the spectrum beside the carrier on (11 Hz in 10 s "
         "at 48 kHz), with their phases to each other as recorded; null where one is "
         "above -12 dBc",
         NARROW_BAND, BETTER_LOWER, FLOOR_HARMONIC, CARRIER},
    [FIGURE_JITTER_RMS] = {"jitter_rms", "s", "rms of that sum", NARROW_BAND,
                           BETTER_LOWER, FLOOR_HARMONIC, CARRIER},
    [FIGURE_RANDOM_JITTER_RMS] =
        {"random_jitter_rms", "s",
         "rms of the phase noise in offset_band_hz without lines, less as much as there "
         "is amplitude noise, since noise that is added is as strong in either; where "
         "nothing exceeds that, or the carrier keeps to a quarter of the recording's "
         "rate, the bound is what all of the phase noise amounts to",
         NARROW_BAND, BETTER_LOWER, FLOOR_NOISE, NULL},
    [FIGURE_CLOCK_OFFSET] = {"clock_offset", "ppm",
                             "carrier relative to its nominal frequency: positive where "
                             "the player's clock is faster than the recorder's",
                             PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
};

const struct list_description jitter_tables_lists[JITTER_LISTS] = {
    [LIST_SIDEBANDS] =
        {"sidebands",
         "lines beside the carrier, the strongest first: each side as it is, null where "
         "noise hides it; what of both is phase and what amplitude modulation, null "
         "where none stands out (of a pattern's line: beyond the pattern) and of "
         "additive "
         "ones; u95_db that of the phase modulation, else of the stronger side; peak of "
         "the jitter; kind: phase, amplitude, mixed, or additive where one side is 20 dB "
         "below the other; origin: mains (by its offset, or an additive line's own "
         "frequency), test_pattern, usb_frame (multiples of 1 kHz), unknown",
         {{"offset_hz", VALUE_NUMBER, "Hz"},
          {"lower_dbc", VALUE_NUMBER, "dBc"},
          {"upper_dbc", VALUE_NUMBER, "dBc"},
          {"phase_modulation_dbc", VALUE_NUMBER, "dBc"},
          {"amplitude_modulation_dbc", VALUE_NUMBER, "dBc"},
          {"u95_db", VALUE_NUMBER, "dB"},
          {"jitter_peak_s", VALUE_NUMBER, "s"},
          {"kind", VALUE_WORD, ""},
          {"origin", VALUE_WORD, ""}}},
};

const struct series_description jitter_tables_series[JITTER_SERIES] = {
    [SERIES_PHASE_MODULATION] =
        {"phase_modulation",
         "averaged power spectrum of the phase modulation through the 7-term window; a "
         "line at a bin's centre reads its sideband relative to the carrier",
         {"offset", "Hz"},
         {"level", "dBc"}},
};
