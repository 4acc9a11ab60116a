#include "analysis/worker/encode.h"

#include <assert.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analysis/worker/json_build.h"
#include "analysis/worker/describe.h"
#include "analysis/worker/settings_json.h"
#include "analysis/worker/wire.h"

/* The columns and the header are written as they lie in memory. */
static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__,
              "the result file is little-endian");
static_assert(sizeof(struct wire_result_header) == 32, "no padding in the header");

static json_t *encode_figure(const struct report_figure *figure,
                             const struct figure_description *description)
{
    if (figure->has_value) {
        json_t *known =
            json_pack("{s:o,s:s,s:o}", "value", json_build_real(figure->value), "unit",
                      description->unit, "u95", json_build_real(figure->u95));
        const char *word = description->better == BETTER_HIGHER ? "at_least" : "at_most";
        return figure->is_bound ? json_build_with(known, "bound", json_string(word))
                                : known;
    }
    json_t *object = json_pack("{s:n,s:s,s:s}", "value", "unit", description->unit,
                               "reason", reason_text(figure->reason));
    if (figure->has_bound)
        object = json_build_with(object, "bound", json_build_real(figure->bound));
    return object;
}

static json_t *encode_cell(const struct report_cell *cell)
{
    if (cell->is_null)
        return json_null();
    switch (cell->type) {
    case VALUE_NUMBER:
        return json_build_real(cell->number);
    case VALUE_BOOLEAN:
        return json_boolean(cell->flag);
    case VALUE_WORD:
        break;
    }
    return json_string(cell->word);
}

/* A number of the table that counts (an order) is written without ".0". */
static json_t *encode_row(const struct list_description *list,
                          const struct report_cell *cells)
{
    json_t *row = json_object();
    for (int i = 0; i < DESCRIPTION_MAX_FIELDS && list->fields[i].name; i++) {
        bool counts = list->fields[i].type == VALUE_NUMBER && !cells[i].is_null &&
                      cells[i].number == rint(cells[i].number);
        row = json_build_with(row, list->fields[i].name,
                              counts ? json_build_number(cells[i].number)
                                     : encode_cell(&cells[i]));
    }
    return row;
}

static json_t *encode_list(const struct list_description *list,
                           const struct report_rows *rows)
{
    int fields = 0;
    while (fields < DESCRIPTION_MAX_FIELDS && list->fields[fields].name)
        fields++;
    json_t *array = json_array();
    for (int i = 0; i < rows->count; i++)
        array = json_build_appended(
            array, encode_row(list, rows->cells + (size_t)i * (size_t)fields));
    return array;
}

static json_t *encode_series(const struct series_description *description,
                             const struct report_series *series)
{
    json_t *object =
        json_pack("{s:I,s:{s:s,s:s},s:{s:s,s:s}}", "points", (json_int_t)series->points,
                  "x", "name", description->x.name, "unit", description->x.unit, "y",
                  "name", description->y.name, "unit", description->y.unit);
    if (series->resolution_bandwidth_hz > 0)
        object = json_build_with(object, "resolution_bandwidth_hz",
                                 json_build_real(series->resolution_bandwidth_hz));
    return object;
}

static json_t *encode_channel(const struct description *description,
                              const struct report_channel *channel)
{
    json_t *figures = json_object(), *findings = json_object(), *lists = json_object();
    json_t *series = json_object();
    json_t *span = channel->has_span ? json_pack("{s:o,s:o}", "start_s",
                                                 json_build_real(channel->start_s),
                                                 "end_s", json_build_real(channel->end_s))
                                     : json_null();
    for (int i = 0; i < description->figure_count; i++)
        figures = json_build_with(
            figures, description->figures[i].name,
            encode_figure(&channel->figures[i], &description->figures[i]));
    for (int i = 0; i < description->finding_count; i++)
        findings = json_build_with(findings, description->findings[i].name,
                                   encode_cell(&channel->findings[i]));
    for (int i = 0; i < description->list_count; i++)
        lists = json_build_with(lists, description->lists[i].name,
                                encode_list(&description->lists[i], &channel->lists[i]));
    for (int i = 0; i < description->series_count; i++)
        if (channel->series[i].y)
            series = json_build_with(
                series, description->series[i].name,
                encode_series(&description->series[i], &channel->series[i]));
    return json_pack("{s:i,s:o,s:o,s:o,s:o,s:o}", "channel", channel->channel, "span",
                     span, "figures", figures, "findings", findings, "lists", lists,
                     "series", series);
}

static json_t *encode_warnings(const struct report *report)
{
    json_t *array = json_array();
    for (int i = 0; i < report->warning_count; i++) {
        const struct report_warning *warning = &report->warnings[i];
        array = json_build_appended(
            array, json_build_warning(warning->code, warning->channel, warning->message));
    }
    return array;
}

json_t *encode_body(const struct settings *settings, const struct signal_json *played,
                    const struct report *report)
{
    json_t *channels = json_array();
    for (int i = 0; i < report->channel_count; i++)
        channels = json_build_appended(
            channels, encode_channel(report->description, &report->channels[i]));
    return json_pack("{s:o,s:o,s:o,s:o,s:o}", "engine", describe_engine(), "settings",
                     settings_json_write(settings), "signal", signal_json_write(played),
                     "channels", channels, "warnings", encode_warnings(report));
}

static uint64_t column_bytes(const struct report_series *series)
{
    return series->points * sizeof(float);
}

/* A column of x lies behind that of y. */
static json_t *index_x(const struct axis_description *axis,
                       const struct report_series *series, uint64_t y_offset)
{
    if (series->x)
        return json_pack("{s:s,s:s,s:I}", "name", axis->name, "unit", axis->unit,
                         "offset",
                         (json_int_t)y_offset + (json_int_t)column_bytes(series));
    return json_pack("{s:s,s:s,s:f,s:f}", "name", axis->name, "unit", axis->unit, "start",
                     series->x_start, "step", series->x_step);
}

static json_t *index_entry(const struct series_description *description, int channel,
                           const struct report_series *series, uint64_t offset)
{
    json_t *entry =
        json_pack("{s:s,s:i,s:I,s:I,s:o,s:{s:s,s:s}}", "name", description->name,
                  "channel", channel, "points", (json_int_t)series->points, "offset",
                  (json_int_t)offset, "x", index_x(&description->x, series, offset), "y",
                  "name", description->y.name, "unit", description->y.unit);
    if (series->resolution_bandwidth_hz > 0)
        entry = json_build_with(entry, "resolution_bandwidth_hz",
                                json_real(series->resolution_bandwidth_hz));
    return entry;
}

/* Also tells how many bytes the columns take together. */
static json_t *encode_index(const struct report *report, uint64_t *ret_series_bytes)
{
    const struct description *description = report->description;
    json_t *index = json_array();
    uint64_t offset = 0;
    for (int c = 0; c < report->channel_count; c++) {
        for (int i = 0; i < description->series_count; i++) {
            const struct report_series *series = &report->channels[c].series[i];
            if (!series->y)
                continue;
            index = json_build_appended(index, index_entry(&description->series[i],
                                                           report->channels[c].channel,
                                                           series, offset));
            offset += column_bytes(series) * (series->x ? 2 : 1);
        }
    }
    *ret_series_bytes = offset;
    return index;
}

static bool write_all(int descriptor, const void *bytes, size_t count,
                      struct problem *problem)
{
    size_t done = 0;
    while (done < count) {
        ssize_t put = write(descriptor, (const char *)bytes + done, count - done);
        if (put < 0 && errno == EINTR)
            continue;
        bool full = put < 0 && (errno == ENOSPC || errno == EDQUOT);
        if (put < 0)
            return problem_set(problem, full ? PROBLEM_DISK_FULL : PROBLEM_IO, NULL,
                               "Writing the result failed: %s.", strerror(errno));
        done += (size_t)put;
    }
    return true;
}

static bool write_columns(const struct report *report, int descriptor,
                          struct problem *problem)
{
    for (int c = 0; c < report->channel_count; c++) {
        for (int i = 0; i < report->description->series_count; i++) {
            const struct report_series *series = &report->channels[c].series[i];
            size_t bytes = column_bytes(series);
            if ((series->y && !write_all(descriptor, series->y, bytes, problem)) ||
                (series->x && !write_all(descriptor, series->x, bytes, problem)))
                return false;
        }
    }
    return true;
}

static bool write_file(const struct report *report, const char *body, const char *index,
                       uint64_t series_bytes, int descriptor, struct problem *problem)
{
    size_t body_bytes = strlen(body), index_bytes = strlen(index);
    if (body_bytes > WIRE_RESULT_BODY_MAX_BYTES ||
        index_bytes > WIRE_RESULT_INDEX_MAX_BYTES)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, "channels",
                           "The result has %zu bytes, more than the %d that can be kept; "
                           "measure fewer channels at a time.",
                           body_bytes, WIRE_RESULT_BODY_MAX_BYTES);
    struct wire_result_header header = {
        .magic = WIRE_RESULT_MAGIC,
        .body_bytes = (uint32_t)body_bytes,
        .index_bytes = (uint32_t)index_bytes,
        .series_bytes = series_bytes,
    };
    return write_all(descriptor, &header, sizeof header, problem) &&
           write_all(descriptor, body, body_bytes, problem) &&
           write_all(descriptor, index, index_bytes, problem) &&
           write_columns(report, descriptor, problem);
}

bool encode_result(const struct settings *settings, const struct signal_json *played,
                   const struct report *report, int descriptor, struct problem *problem)
{
    uint64_t series_bytes = 0;
    json_t *body = encode_body(settings, played, report);
    json_t *index = encode_index(report, &series_bytes);
    char *body_text = body ? json_dumps(body, JSON_BUILD_FLAGS) : NULL;
    /* x is computed from start and step: all their digits matter. */
    char *index_text =
        index ? json_dumps(index, JSON_COMPACT | JSON_REAL_PRECISION(17)) : NULL;
    bool good =
        body_text && index_text
            ? write_file(report, body_text, index_text, series_bytes, descriptor, problem)
            : problem_set(
                  problem, PROBLEM_OUT_OF_MEMORY, NULL,
                  "Not enough memory to write the result; measure fewer channels at "
                  "a time.");
    json_decref(body);
    json_decref(index);
    free(body_text);
    free(index_text);
    return good;
}
