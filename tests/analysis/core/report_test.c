#include "analysis/core/report.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

/* A made-up measurement with one of everything, two figures. */
static const struct figure_description figures[] = {
    {"level", "dBFS", "d", "s", BETTER_NONE, FLOOR_NONE, NULL},
    {"noise", "dBFS", "d", "s", BETTER_LOWER, FLOOR_NOISE, NULL},
};
static const struct finding_description findings[] = {{"overload", VALUE_BOOLEAN, "d"},
                                                      {"kind", VALUE_WORD, "d"}};
static const struct list_description lists[] = {
    {"lines",
     "d",
     {{"frequency_hz", VALUE_NUMBER, "Hz"},
      {"aliased", VALUE_BOOLEAN, ""},
      {"origin", VALUE_WORD, ""}}},
};
static const struct series_description series[] = {
    {"spectrum", "d", {"frequency", "Hz"}, {"level", "dBFS"}},
};
static const struct description description = {
    .name = "made-up",
    .summary = "s",
    .stimulus = "s",
    .figures = figures,
    .figure_count = 2,
    .findings = findings,
    .finding_count = 2,
    .lists = lists,
    .list_count = 1,
    .series = series,
    .series_count = 1,
};

static struct report *two_channels(void)
{
    struct report *report = report_new(&description, (const int[]){2, 5}, 2);
    assert_non_null(report);
    return report;
}

static void nothing_set_is_not_determinable(void **state)
{
    (void)state;
    struct report *report = two_channels();
    for (int c = 0; c < 2; c++) {
        const struct report_channel *channel = &report->channels[c];
        assert_int_equal(channel->channel, c == 0 ? 2 : 5);
        assert_false(channel->has_span);
        for (int i = 0; i < 2; i++) {
            assert_false(channel->figures[i].has_value);
            assert_int_equal(channel->figures[i].reason, REASON_NOT_DETERMINABLE);
        }
        assert_true(channel->findings[0].is_null);
        assert_int_equal(channel->lists[0].count, 0);
        assert_null(channel->series[0].y);
    }
    struct problem problem = {0};
    assert_true(report_complete(report, &problem));
    report_free(report);
}

static void figures_are_kept(void **state)
{
    (void)state;
    struct report *report = two_channels();
    report_span(report, 1, 0.25, 9.5);
    report_value(report, 1, 0, -1.5, 0.01);
    report_bound(report, 1, 1, -130);
    const struct report_channel *channel = &report->channels[1];
    assert_true(channel->has_span && channel->start_s == 0.25 && channel->end_s == 9.5);
    assert_true(channel->figures[0].has_value);
    assert_close(channel->figures[0].value, -1.5, 0);
    assert_close(channel->figures[0].u95, 0.01, 0);
    assert_false(channel->figures[1].has_value);
    assert_int_equal(channel->figures[1].reason, REASON_BELOW_NOISE);
    assert_true(channel->figures[1].has_bound);
    assert_close(channel->figures[1].bound, -130, 0);
    assert_false(report->channels[0].figures[0].has_value);
    report_at_worst(report, 1, 0, -2);
    assert_true(channel->figures[0].has_value && channel->figures[0].is_bound);
    assert_close(channel->figures[0].value, -2, 0);
    assert_true(isnan(channel->figures[0].u95));
    report_value(report, 1, 0, -2, 0.5);
    assert_false(channel->figures[0].is_bound);
    report_none_all(report, 1, REASON_DIGITAL_SILENCE);
    for (int i = 0; i < 2; i++) {
        assert_false(channel->figures[i].has_value || channel->figures[i].has_bound);
        assert_int_equal(channel->figures[i].reason, REASON_DIGITAL_SILENCE);
    }
    report_free(report);
}

static void no_value_that_is_not_finite_is_kept(void **state)
{
    (void)state;
    struct report *report = two_channels();
    static const double bad[] = {NAN, INFINITY, -INFINITY};
    for (size_t i = 0; i < 3; i++) {
        report_value(report, 0, 0, 1, 1);
        report_value(report, 0, 0, bad[i], 1);
        assert_false(report->channels[0].figures[0].has_value);
        assert_int_equal(report->channels[0].figures[0].reason, REASON_NOT_DETERMINABLE);
        report_bound(report, 0, 1, bad[i]);
        assert_false(report->channels[0].figures[1].has_bound);
        assert_true(report_number(bad[i]).is_null);
        report_at_worst(report, 0, 0, bad[i]);
        assert_false(report->channels[0].figures[0].has_value);
        assert_false(report->channels[0].figures[0].is_bound);
    }
    report_value(report, 0, 0, 1, INFINITY);
    assert_true(isnan(report->channels[0].figures[0].u95));
    report_free(report);
}

/* 100 rows cross every growth of the array from 16 on. */
static void rows_keep_their_order(void **state)
{
    (void)state;
    struct report *report = two_channels();
    for (int i = 0; i < 100; i++) {
        struct report_cell cells[] = {report_number(i), report_boolean(i % 2),
                                      report_word(i % 3 ? "mains" : NULL)};
        report_row(report, 0, 0, cells);
    }
    const struct report_rows *rows = &report->channels[0].lists[0];
    assert_int_equal(rows->count, 100);
    for (int i = 0; i < 100; i++) {
        const struct report_cell *cells = rows->cells + 3 * i;
        assert_close(cells[0].number, i, 0);
        assert_int_equal(cells[1].flag, i % 2);
        assert_int_equal(cells[2].is_null, i % 3 == 0);
        if (i % 3)
            assert_string_equal(cells[2].word, "mains");
    }
    assert_int_equal(report->channels[1].lists[0].count, 0);
    report_free(report);
}

static float *column(float a, float b, float c)
{
    float *y = malloc(3 * sizeof *y);
    assert_non_null(y);
    y[0] = a;
    y[1] = b;
    y[2] = c;
    return y;
}

static void series_without_value_is_minus_infinity(void **state)
{
    (void)state;
    struct report *report = two_channels();
    struct report_series first = {column(1, 2, 3), 3, 0, 1, 0, NULL};
    struct report_series second = {
        column(-1, (float)NAN, (float)INFINITY), 3, 0.5, 2, 1.5, column(31.5f, 40, 50)};
    report_series(report, 0, 0, &first);
    report_series(report, 0, 0, &second);
    const struct report_series *kept = &report->channels[0].series[0];
    assert_ptr_equal(kept->y, second.y);
    assert_close(kept->x_start, 0.5, 0);
    assert_ptr_equal(kept->x, second.x);
    assert_close(kept->y[0], -1, 0);
    assert_true(isinf(kept->y[1]) && kept->y[1] < 0);
    assert_true(isinf(kept->y[2]) && kept->y[2] < 0);
    report_free(report);
}

static void lack_of_memory_is_remembered(void **state)
{
    (void)state;
    struct report *report = two_channels();
    struct report_series nothing = {NULL, 3, 0, 1, 0, column(1, 2, 3)};
    report_series(report, 0, 0, &nothing);
    struct problem problem = {0};
    assert_false(report_complete(report, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_MEMORY);
    report_free(report);
}

static void warnings_beyond_the_most_are_dropped(void **state)
{
    (void)state;
    struct report *report = two_channels();
    for (int i = 0; i < REPORT_MAX_WARNINGS + 10; i++)
        report_warn(report, "clock_offset", i, "%d ppm", i);
    assert_int_equal(report->warning_count, REPORT_MAX_WARNINGS);
    assert_string_equal(report->warnings[3].message, "3 ppm");
    assert_string_equal(report->warnings[3].code, "clock_offset");
    assert_int_equal(report->warnings[REPORT_MAX_WARNINGS - 1].channel,
                     REPORT_MAX_WARNINGS - 1);
    report_free(report);
}

/* The spellings are those of the interface. */
static void reasons_are_those_of_the_interface(void **state)
{
    (void)state;
    assert_string_equal(reason_text(REASON_NO_CALIBRATION), "no_calibration");
    assert_string_equal(reason_text(REASON_DIGITAL_SILENCE), "digital_silence");
    assert_string_equal(reason_text(REASON_BELOW_NOISE), "below_noise");
    assert_string_equal(reason_text(REASON_ABOVE_BAND), "above_band");
    assert_string_equal(reason_text(REASON_NOT_ENOUGH_DATA), "not_enough_data");
    assert_string_equal(reason_text(REASON_NO_REFERENCE), "no_reference");
    assert_string_equal(reason_text(REASON_NOT_DETERMINABLE), "not_determinable");
}

static void findings_are_flags_and_words(void **state)
{
    (void)state;
    struct report *report = two_channels();
    report_flag(report, 0, 0, true);
    report_say(report, 0, 1, "pair");
    report_say(report, 1, 1, NULL);
    assert_true(report->channels[0].findings[0].flag);
    assert_string_equal(report->channels[0].findings[1].word, "pair");
    assert_true(report->channels[1].findings[1].is_null);
    report_free(report);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_set_is_not_determinable),
        cmocka_unit_test(findings_are_flags_and_words),
        cmocka_unit_test(figures_are_kept),
        cmocka_unit_test(no_value_that_is_not_finite_is_kept),
        cmocka_unit_test(rows_keep_their_order),
        cmocka_unit_test(series_without_value_is_minus_infinity),
        cmocka_unit_test(lack_of_memory_is_remembered),
        cmocka_unit_test(warnings_beyond_the_most_are_dropped),
        cmocka_unit_test(reasons_are_those_of_the_interface),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
