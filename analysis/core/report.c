#include "analysis/core/report.h"

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/core/text.h"

const char *reason_text(enum reason reason)
{
    switch (reason) {
    case REASON_NO_CALIBRATION:
        return "no_calibration";
    case REASON_DIGITAL_SILENCE:
        return "digital_silence";
    case REASON_BELOW_NOISE:
        return "below_noise";
    case REASON_ABOVE_BAND:
        return "above_band";
    case REASON_NOT_ENOUGH_DATA:
        return "not_enough_data";
    case REASON_NO_REFERENCE:
        return "no_reference";
    case REASON_NOT_DETERMINABLE:
        break;
    }
    return "not_determinable";
}

/* calloc of nothing may give NULL, which would look like lack of memory. */
static void *new_array(int count, size_t size)
{
    return calloc(count > 0 ? (size_t)count : 1, size);
}

static bool prepare_channel(struct report_channel *channel,
                            const struct description *description)
{
    channel->figures = new_array(description->figure_count, sizeof *channel->figures);
    channel->findings = new_array(description->finding_count, sizeof *channel->findings);
    channel->lists = new_array(description->list_count, sizeof *channel->lists);
    channel->series = new_array(description->series_count, sizeof *channel->series);
    if (!channel->figures || !channel->findings || !channel->lists || !channel->series)
        return false;
    for (int i = 0; i < description->figure_count; i++)
        channel->figures[i].reason = REASON_NOT_DETERMINABLE;
    for (int i = 0; i < description->finding_count; i++) {
        channel->findings[i].type = description->findings[i].type;
        channel->findings[i].is_null = true;
    }
    return true;
}

struct report *report_new(const struct description *description, const int *channels,
                          int count)
{
    assert(count > 0);
    struct report *report = calloc(1, sizeof *report);
    if (!report)
        return NULL;
    report->description = description;
    report->channels = new_array(count, sizeof *report->channels);
    if (!report->channels)
        goto out;
    report->channel_count = count;
    for (int i = 0; i < count; i++) {
        report->channels[i].channel = channels[i];
        if (!prepare_channel(&report->channels[i], description))
            goto out;
    }
    return report;
out:
    report_free(report);
    return NULL;
}

static void free_channel(struct report_channel *channel,
                         const struct description *description)
{
    for (int i = 0; channel->lists && i < description->list_count; i++)
        free(channel->lists[i].cells);
    for (int i = 0; channel->series && i < description->series_count; i++) {
        free(channel->series[i].y);
        free(channel->series[i].x);
    }
    free(channel->figures);
    free(channel->findings);
    free(channel->lists);
    free(channel->series);
}

void report_free(struct report *report)
{
    if (!report)
        return;
    for (int i = 0; i < report->channel_count; i++)
        free_channel(&report->channels[i], report->description);
    free(report->channels);
    free(report);
}

static struct report_channel *channel_at(struct report *report, int c)
{
    assert(c >= 0 && c < report->channel_count);
    return &report->channels[c];
}

static struct report_figure *figure_at(struct report *report, int c, int figure)
{
    assert(figure >= 0 && figure < report->description->figure_count);
    return &channel_at(report, c)->figures[figure];
}

void report_span(struct report *report, int c, double start_s, double end_s)
{
    assert(isfinite(start_s) && isfinite(end_s) && start_s <= end_s);
    struct report_channel *channel = channel_at(report, c);
    channel->has_span = true;
    channel->start_s = start_s;
    channel->end_s = end_s;
}

void report_value(struct report *report, int c, int figure, double value, double u95)
{
    if (!isfinite(value)) {
        report_none(report, c, figure, REASON_NOT_DETERMINABLE);
        return;
    }
    *figure_at(report, c, figure) = (struct report_figure){
        .has_value = true,
        .value = value,
        .u95 = isfinite(u95) ? u95 : NAN,
    };
}

void report_none(struct report *report, int c, int figure, enum reason reason)
{
    *figure_at(report, c, figure) = (struct report_figure){.reason = reason};
}

void report_none_but(struct report *report, int c, int figure, enum reason reason,
                     double bound)
{
    *figure_at(report, c, figure) = (struct report_figure){
        .reason = reason,
        .has_bound = isfinite(bound),
        .bound = isfinite(bound) ? bound : 0,
    };
}

void report_bound(struct report *report, int c, int figure, double bound)
{
    report_none_but(report, c, figure, REASON_BELOW_NOISE, bound);
}

void report_at_worst(struct report *report, int c, int figure, double value)
{
    report_value(report, c, figure, value, NAN);
    struct report_figure *kept = figure_at(report, c, figure);
    kept->is_bound = kept->has_value;
}

void report_none_all(struct report *report, int c, enum reason reason)
{
    for (int i = 0; i < report->description->figure_count; i++)
        report_none(report, c, i, reason);
}

void report_flag(struct report *report, int c, int finding, bool flag)
{
    assert(finding >= 0 && finding < report->description->finding_count);
    assert(report->description->findings[finding].type == VALUE_BOOLEAN);
    channel_at(report, c)->findings[finding] = report_boolean(flag);
}

void report_say(struct report *report, int c, int finding, const char *word)
{
    assert(finding >= 0 && finding < report->description->finding_count);
    assert(report->description->findings[finding].type == VALUE_WORD);
    channel_at(report, c)->findings[finding] = report_word(word);
}

static int field_count(const struct list_description *list)
{
    int count = 0;
    while (count < DESCRIPTION_MAX_FIELDS && list->fields[count].name)
        count++;
    return count;
}

static bool make_room(struct report_rows *rows, int fields)
{
    if (rows->count < rows->capacity)
        return true;
    assert(fields > 0);
    int capacity = rows->capacity > 0 ? 2 * rows->capacity : 16;
    struct report_cell *cells =
        realloc(rows->cells, (size_t)capacity * (size_t)fields * sizeof *cells);
    if (!cells)
        return false;
    rows->cells = cells;
    rows->capacity = capacity;
    return true;
}

void report_row(struct report *report, int c, int list, const struct report_cell *cells)
{
    assert(list >= 0 && list < report->description->list_count);
    struct report_rows *rows = &channel_at(report, c)->lists[list];
    int fields = field_count(&report->description->lists[list]);
    if (!make_room(rows, fields)) {
        report->out_of_memory = true;
        return;
    }
    memcpy(rows->cells + (size_t)rows->count * (size_t)fields, cells,
           (size_t)fields * sizeof *cells);
    rows->count++;
}

struct report_cell report_number(double value)
{
    if (!isfinite(value))
        return (struct report_cell){.type = VALUE_NUMBER, .is_null = true};
    return (struct report_cell){.type = VALUE_NUMBER, .number = value};
}

struct report_cell report_boolean(bool flag)
{
    return (struct report_cell){.type = VALUE_BOOLEAN, .flag = flag};
}

struct report_cell report_word(const char *word)
{
    return (struct report_cell){.type = VALUE_WORD, .is_null = !word, .word = word};
}

void report_series(struct report *report, int c, int series,
                   const struct report_series *values)
{
    assert(series >= 0 && series < report->description->series_count);
    struct report_series *kept = &channel_at(report, c)->series[series];
    free(kept->y);
    free(kept->x);
    kept->y = kept->x = NULL;
    if (!values->y) {
        free(values->x);
        report->out_of_memory = true;
        return;
    }
    for (size_t i = 0; values->x && i < values->points; i++)
        assert(isfinite(values->x[i]) && (i == 0 || values->x[i] > values->x[i - 1]));
    *kept = *values;
    for (size_t i = 0; i < kept->points; i++)
        if (!isfinite(kept->y[i]))
            kept->y[i] = -INFINITY;
}

void report_warn(struct report *report, const char *code, int channel, const char *format,
                 ...)
{
    /* Sixteen channels with four warnings each fit; whoever gets more has been warned. */
    if (report->warning_count == REPORT_MAX_WARNINGS)
        return;
    struct report_warning *warning = &report->warnings[report->warning_count++];
    warning->code = code;
    warning->channel = channel;
    va_list arguments;
    va_start(arguments, format);
    text_format(warning->message, sizeof warning->message, format, arguments);
    va_end(arguments);
}

bool report_complete(const struct report *report, struct problem *problem)
{
    if (report->out_of_memory)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "Not enough memory to keep the result of the measurement; "
                           "measure fewer channels at a time.");
    return true;
}
