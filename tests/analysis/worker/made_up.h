/** A made-up measurement with a setting of every kind and one of everything in its
 * report. */
#ifndef TESTS_ANALYSIS_WORKER_MADE_UP_H
#define TESTS_ANALYSIS_WORKER_MADE_UP_H

#include <math.h>
#include <stdlib.h>

#include "analysis/measurements/measurement.h"
#include "tests/support/support.h"

enum {
    MADE_UP_HARMONICS = SETTING_COMMON_COUNT,
    MADE_UP_BITS,
    MADE_UP_KIND,
    MADE_UP_NOTCH
};

static const char *const made_up_bits[] = {"16", "24", NULL};
static const char *const made_up_kinds[] = {"auto", "smpte", NULL};
static const char *const made_up_notches[] = {"band", NULL};

static const struct setting_description made_up_settings[] = {
    {"channels", SETTING_CHANNELS, "", "null", 1, 16, NULL, "channels"},
    {"start_s", SETTING_NUMBER, "s", "0", 0, 14400, NULL, "start"},
    {"duration_s", SETTING_NUMBER, "s", "null", 0.1, 14400, NULL, "duration"},
    {"band_hz", SETTING_RANGE, "Hz", "[20,20000]", 1, 384000, NULL, "band"},
    {"harmonics", SETTING_INTEGER, "", "10", 2, 100, NULL, "highest order"},
    {"bits", SETTING_INTEGER, "bit", "16", 16, 24, made_up_bits, "bits"},
    {"kind", SETTING_CHOICE, "", "\"auto\"", 0, 0, made_up_kinds, "kind"},
    {"notch", SETTING_CHOICE_OR_NUMBER, "", "\"band\"", 1.2, 3, made_up_notches, "notch"},
    {"load", SETTING_NUMBER, "ohm", "null", 0, 0, NULL, "load"},
};

static const struct figure_description made_up_figures[] = {
    {"level", "dBFS", "level", "AES17", BETTER_NONE, FLOOR_NONE, NULL},
    {"thd", "dB", "distortion", "common practice", BETTER_LOWER, FLOOR_HARMONIC, NULL},
};
static const struct finding_description made_up_findings[] = {
    {"overload", VALUE_BOOLEAN, "flat tops"},
};
static const struct list_description made_up_lists[] = {
    {"harmonics",
     "each of them",
     {{"order", VALUE_NUMBER, ""},
      {"level_dbc", VALUE_NUMBER, "dBc"},
      {"aliased", VALUE_BOOLEAN, ""},
      {"origin", VALUE_WORD, ""}}},
};
static const struct series_description made_up_series[] = {
    {"spectrum", "levels", {"frequency", "Hz"}, {"level", "dBFS"}},
    {"error", "errors", {"level", "dBFS"}, {"error", "dB"}},
};

enum made_up_behaviour { MADE_UP_GOOD, MADE_UP_FAILS, MADE_UP_REFUSES, MADE_UP_RUNS_OUT };
static enum made_up_behaviour made_up_behaviour;

static inline void made_up_fill(struct report *report, int c)
{
    report_span(report, c, 0.25, 9.75);
    report_value(report, c, 0, -1.0 / 3, 0.001);
    report_bound(report, c, 1, -120.5);
    report_flag(report, c, 0, true);
    for (int order = 2; order < 4; order++) {
        struct report_cell cells[] = {
            report_number(order), report_number(-100.25 * order),
            report_boolean(order == 3), report_word(order == 3 ? "mains" : NULL)};
        report_row(report, c, 0, cells);
    }
    struct report_series series = {malloc(3 * sizeof(float)), 3, 0, 1.0 / 3, 1.93, NULL};
    assert_non_null(series.y);
    series.y[0] = -1.5f * (float)(c + 1);
    series.y[1] = (float)NAN;
    series.y[2] = -150;
    report_series(report, c, 0, &series);
}

static inline bool made_up_run(const struct measurement_input *input,
                               struct report *report, struct problem *problem)
{
    progress_tell(input->progress, 0.5);
    if (made_up_behaviour == MADE_UP_FAILS)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL, "No tone is there.");
    if (made_up_behaviour == MADE_UP_REFUSES)
        return problem_set(problem, PROBLEM_OUT_OF_RANGE, "band_hz", "Too high a band.");
    for (int c = 0; c < report->channel_count; c++)
        made_up_fill(report, c);
    report_warn(report, "clock_offset", 1, "Tone 37 ppm above nominal.");
    report_warn(report, "channels_identical", 0, "Both say \"the same\".");
    report->out_of_memory = made_up_behaviour == MADE_UP_RUNS_OUT;
    return true;
}

static const struct measurement made_up = {
    .description =
        {
            .name = "made-up",
            .summary = "nothing real",
            .stimulus = "none",
            .settings = made_up_settings,
            .setting_count = sizeof made_up_settings / sizeof made_up_settings[0],
            .figures = made_up_figures,
            .figure_count = 2,
            .findings = made_up_findings,
            .finding_count = 1,
            .lists = made_up_lists,
            .list_count = 1,
            .series = made_up_series,
            .series_count = 2,
        },
    .run = made_up_run,
};

#endif
