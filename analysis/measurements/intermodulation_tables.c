#include "analysis/measurements/intermodulation_tables.h"

#include <stddef.h>

#define MODULATION "SMPTE RP 120, DIN 45403, IEC 60268-3"
#define DIFFERENCE "IEC 60268-3, DIN 45403"
#define PRACTICE "common practice, no source"
#define REFERENCE "level_2"

/* A device's products and the recorder's add in phase: FLOOR_HARMONIC. */
const struct figure_description intermodulation_tables_figures[INTERMODULATION_FIGURES] =
    {
        [FIGURE_FREQUENCY_1] = {"frequency_1", "Hz",
                                "frequency of the lower tone, f1, mean over the span",
                                "IEEE 1057, weighted sine fit", BETTER_NONE, FLOOR_NONE,
                                NULL},
        [FIGURE_FREQUENCY_2] = {"frequency_2", "Hz",
                                "frequency of the upper tone, f2, mean over the span",
                                "IEEE 1057, weighted sine fit", BETTER_NONE, FLOOR_NONE,
                                NULL},
        [FIGURE_LEVEL_1] = {"level_1", "dBFS",
                            "level of the lower tone alone; a sine of peak 1.0 is 0",
                            "AES17, IEC 61606", BETTER_NONE, FLOOR_NONE, NULL},
        [FIGURE_LEVEL_2] = {"level_2", "dBFS", "level of the upper tone alone",
                            "AES17, IEC 61606", BETTER_NONE, FLOOR_NONE, NULL},
        [FIGURE_LEVEL_RATIO] =
            {"level_ratio", "dB",
             "level of the lower tone relative to the upper one; 12.04 "
             "is 4:1",
             PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
        [FIGURE_PEAK_LEVEL] = {"peak_level", "dBFS",
                               "level of a sine whose peak is both tones' amplitudes "
                               "together, the highest that the sum reaches",
                               PRACTICE, BETTER_NONE, FLOOR_NONE, NULL},
        [FIGURE_MODULATION_DISTORTION] =
            {"modulation_distortion", "dB",
             "sidebands of the upper tone: amplitudes of f2-f1 and f2+f1 added, those of "
             "f2-2f1 and f2+2f1 added, root of the sum of both squares, relative to the "
             "amplitude of f2: the depth of an amplitude modulation; where f2 is at "
             "least "
             "8 f1",
             MODULATION, BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_MODULATION_DISTORTION_PERCENT] =
            {"modulation_distortion_percent", "%",
             "modulation_distortion as a percentage of the amplitude of f2", MODULATION,
             BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_MODULATION_DISTORTION_RSS] =
            {"modulation_distortion_rss", "dB",
             "the same four sidebands, root of the sum of their squares, relative to the "
             "amplitude of f2: 3.01 dB less than modulation_distortion where the two of "
             "each order are equal",
             PRACTICE, BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_MODULATION_DISTORTION_RSS_PERCENT] =
            {"modulation_distortion_rss_percent", "%",
             "modulation_distortion_rss as a percentage of the amplitude of f2", PRACTICE,
             BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_SECOND] =
            {"difference_second", "dB",
             "amplitude of f2-f1 relative to twice that of f2; where f2 is below 1.5 f1 "
             "and the levels within 6 dB",
             DIFFERENCE, BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_SECOND_PERCENT] =
            {"difference_second_percent", "%",
             "difference_second as a percentage of twice the amplitude of f2", DIFFERENCE,
             BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_THIRD] =
            {"difference_third", "dB",
             "amplitudes of 2f1-f2 and 2f2-f1 added, relative to twice that of f2; one "
             "beyond 0.45 of the sample rate is not there to be counted, as "
             "difference_third_counts says",
             DIFFERENCE, BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_THIRD_PERCENT] =
            {"difference_third_percent", "%",
             "difference_third as a percentage of twice the amplitude of f2", DIFFERENCE,
             BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_TOTAL] =
            {"difference_total", "dB",
             "root of the sum of the squares of difference_second and difference_third",
             DIFFERENCE, BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
        [FIGURE_DIFFERENCE_TOTAL_PERCENT] =
            {"difference_total_percent", "%",
             "difference_total as a percentage of twice the amplitude of f2", DIFFERENCE,
             BETTER_LOWER, FLOOR_HARMONIC, REFERENCE},
};

const struct finding_description
    intermodulation_tables_findings[INTERMODULATION_FINDINGS] = {
        [FINDING_KIND] =
            {"kind", VALUE_WORD,
             "the pair that was found: smpte (60 Hz and 7 kHz) or din (250 Hz and 8 "
             "kHz), "
             "within 1 % and at 12 dB within 3; difference-frequency (f2 below 1.5 f1, "
             "levels within 6 dB); any other pair"},
        [FINDING_DIFFERENCE_THIRD_COUNTS] =
            {"difference_third_counts", VALUE_WORD,
             "the products that difference_third and difference_total count as third "
             "order; with one of the two they read 6 dB less where both are equal"},
};

const struct list_description intermodulation_tables_lists[INTERMODULATION_LISTS] = {
    [LIST_PRODUCTS] =
        {"products",
         "every product of the second to the fifth order, harmonics of either tone "
         "included, relative to the upper tone, f2; without a level where it does not "
         "stand above the noise or another line stands in its place, then bound_dbc says "
         "what it cannot exceed; without either beside dc or half the sample rate, and "
         "where it falls on a tone or on another product, which coincides_with names and "
         "which holds what all that fall there add up to",
         {{"expression", VALUE_WORD, ""},
          {"order", VALUE_NUMBER, ""},
          {"frequency_hz", VALUE_NUMBER, "Hz"},
          {"level_dbc", VALUE_NUMBER, "dBc"},
          {"u95_db", VALUE_NUMBER, "dB"},
          {"above_noise", VALUE_BOOLEAN, ""},
          {"aliased", VALUE_BOOLEAN, ""},
          {"bound_dbc", VALUE_NUMBER, "dBc"},
          {"coincides_with", VALUE_WORD, ""},
          {"counted_in", VALUE_WORD, ""}}},
};

const struct series_description intermodulation_tables_series[INTERMODULATION_SERIES] = {
    [SERIES_SPECTRUM] = {"spectrum",
                         "averaged power spectrum through the 7-term window; a tone at a "
                         "bin's centre reads its level",
                         {"frequency", "Hz"},
                         {"level", "dBFS"}},
};
