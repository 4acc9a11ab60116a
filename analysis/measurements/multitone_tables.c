#include "analysis/measurements/multitone_tables.h"

#define PRACTICE "common practice, no source"
#define TOTAL "total_level"

/* Floors: the residual holds products as well as noise, so the harder rule holds. */
const struct figure_description multitone_tables_figures[MULTITONE_FIGURES] = {
    [MULTITONE_TONE_COUNT] = {"tone_count", "",
                              "number of tones found: of the signal told, or of the "
                              "lines that stand clear of all others",
                              PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
    [MULTITONE_TOTAL_LEVEL] = {"total_level", "dBFS",
                               "level of all tones and of the residual in band; a sine "
                               "of peak 1.0 is 0",
                               "AES17, IEC 61606", BETTER_NONE, FLOOR_NONE, NULL},
    [MULTITONE_CREST_FACTOR] = {"crest_factor", "dB",
                                "largest sample of the steady part, either way, re the "
                                "rms of all of them, dc taken off, all frequencies",
                                PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
    [MULTITONE_RESIDUAL_LEVEL] =
        {"residual_level", "dBFS",
         "level of all in band outside the tones' main lobes, restored "
         "inside them from its density beside them",
         PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, NULL},
    [MULTITONE_RESIDUAL_RATIO] = {"residual_ratio", "dB",
                                  "rms of the residual relative to the total rms",
                                  PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, TOTAL},
    [MULTITONE_RESIDUAL_BITS] = {"residual_bits", "bit", "-residual_ratio / 6.02",
                                 PRACTICE, BETTER_HIGHER, FLOOR_HARMONIC, TOTAL},
    [MULTITONE_LARGEST_LINE_RATIO] = {"largest_line_ratio", "dB",
                                      "rms of the largest discrete line of the residual "
                                      "relative to the total rms",
                                      PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, TOTAL},
    [MULTITONE_LARGEST_LINE_BITS] = {"largest_line_bits", "bit",
                                     "-largest_line_ratio / 6.02", PRACTICE,
                                     BETTER_HIGHER, FLOOR_HARMONIC, TOTAL},
    [MULTITONE_LARGEST_LINE_FREQUENCY] = {"largest_line_frequency", "Hz",
                                          "where that line lies", PRACTICE, BETTER_NONE,
                                          FLOOR_NONE, NULL},
    [MULTITONE_RESIDUAL_DENSITY] = {"residual_density", "dBFS/√Hz",
                                    "mean density in band of what is left of "
                                    "residual_level without its discrete lines",
                                    PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, NULL},
};

const struct list_description multitone_tables_lists[MULTITONE_LISTS] = {
    [MULTITONE_LIST_TONES] =
        {"tones",
         "the tones found, ascending; relative_db is re the total, deviation_db re the "
         "median tone",
         {{"frequency_hz", VALUE_NUMBER, "Hz"},
          {"nominal_hz", VALUE_NUMBER, "Hz"},
          {"level_dbfs", VALUE_NUMBER, "dBFS"},
          {"u95_db", VALUE_NUMBER, "dB"},
          {"relative_db", VALUE_NUMBER, "dB"},
          {"deviation_db", VALUE_NUMBER, "dB"}}},
    [MULTITONE_LIST_LOST] =
        {"lost",
         "tones of the signal told, within the band, that do not stand above the "
         "residual or lie more than 40 dB below the median tone; bound_dbfs says what "
         "their level cannot exceed, null where the recording's sample rate cannot hold "
         "them",
         {{"nominal_hz", VALUE_NUMBER, "Hz"}, {"bound_dbfs", VALUE_NUMBER, "dBFS"}}},
};

const struct series_description multitone_tables_series[MULTITONE_SERIES] = {
    [MULTITONE_SERIES_SPECTRUM] = {"spectrum",
                                   "averaged power spectrum through the 7-term window; a "
                                   "tone at a bin's centre reads its level",
                                   {"frequency", "Hz"},
                                   {"level", "dBFS"}},
    [MULTITONE_SERIES_RESIDUAL_BY_BAND] =
        {"residual_by_band",
         "level of the residual in third-octave bands (centres 1000·10^(n/10) Hz, IEC "
         "61260-1), as far as each lies within band_hz",
         {"centre_frequency", "Hz"},
         {"level", "dBFS"}},
};
