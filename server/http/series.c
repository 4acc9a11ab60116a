#include "server/http/series.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *entry_name(const json_t *entry)
{
    const char *name = json_string_value(json_object_get(entry, "name"));
    return name != NULL ? name : "";
}

static int64_t entry_channel(const json_t *entry)
{
    return json_integer_value(json_object_get(entry, "channel"));
}

/* Appends "text" to a list, each once; `list` stays within its size. */
static void append_once(char *list, size_t size, const char *text)
{
    size_t used = strlen(list), length = strlen(text);
    if (length == 0) /* an entry without a name: nobody can ask for it */
        return;
    for (const char *at = list; (at = strstr(at, text)) != NULL; at++) {
        bool starts = at == list || at[-1] == ' ';
        if (starts && (at[length] == '\0' || at[length] == ','))
            return;
    }
    if (used + length + 3 < size)
        snprintf(list + used, size - used, "%s%s", used > 0 ? ", " : "", text);
}

bool series_find(const json_t *index, const struct series_entry_choice *choice,
                 const json_t **ret, struct server_problem *problem)
{
    char names[160] = "", channels[160] = "", number[24];
    for (size_t i = 0; i < json_array_size(index); i++) {
        const json_t *entry = json_array_get(index, i);
        append_once(names, sizeof names, entry_name(entry));
        if (strcmp(entry_name(entry), choice->name) != 0)
            continue;
        if (choice->channel == 0 || choice->channel == entry_channel(entry)) {
            *ret = entry;
            return true;
        }
        snprintf(number, sizeof number, "%lld", (long long)entry_channel(entry));
        append_once(channels, sizeof channels, number);
    }
    if (channels[0] == '\0')
        return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, "",
                                  "This result has no series \"%.60s\"; it has: %s.",
                                  choice->name, names[0] != '\0' ? names : "none");
    return server_problem_set(
        problem, SERVER_PROBLEM_OUT_OF_RANGE, "channel",
        "channel is %lld; this result has the series %.60s for: %s.",
        (long long)choice->channel, choice->name, channels);
}

/* A column of `points` float32 at entry["offset"] of the series' bytes. */
static bool open_column(const struct result_file *result, const json_t *offset,
                        uint64_t points, struct series_column *ret)
{
    json_int_t bytes = json_integer_value(offset);
    if (!json_is_integer(offset) || bytes < 0 || (uint64_t)bytes > result->series_bytes ||
        points > (result->series_bytes - (uint64_t)bytes) / sizeof(float))
        return false;
    ret->offset = result->series_offset + (uint64_t)bytes;
    ret->block = malloc(SERIES_BLOCK_VALUES * sizeof *ret->block);
    return ret->block != NULL;
}

static bool open_x(const struct result_file *result, const json_t *x, uint64_t points,
                   struct series_column *ret)
{
    const json_t *start = json_object_get(x, "start"), *step = json_object_get(x, "step");
    if (start == NULL)
        return open_column(result, json_object_get(x, "offset"), points, ret);
    ret->even = true;
    ret->start = json_number_value(start);
    ret->step = json_number_value(step);
    return json_is_number(start) && json_is_number(step) && ret->step > 0;
}

bool series_open(const struct result_file *result, const json_t *entry,
                 struct series *ret, struct server_problem *problem)
{
    const json_t *points = json_object_get(entry, "points");
    struct series series = {.result = result,
                            .points = (uint64_t)json_integer_value(points)};
    if (json_integer_value(points) >= 0 &&
        open_column(result, json_object_get(entry, "offset"), series.points, &series.y) &&
        open_x(result, json_object_get(entry, "x"), series.points, &series.x)) {
        *ret = series;
        return true;
    }
    series_close(&series);
    return server_problem_set(
        problem, SERVER_PROBLEM_UNAVAILABLE, "",
        "The file of this result is damaged; run the analysis again.");
}

void series_close(struct series *series)
{
    free(series->x.block);
    free(series->y.block);
    series->x.block = series->y.block = NULL;
}

static float float32(uint32_t little)
{
    const uint8_t *bytes = (const uint8_t *)&little;
    uint32_t bits = (uint32_t)bytes[0] | (uint32_t)bytes[1] << 8 |
                    (uint32_t)bytes[2] << 16 | (uint32_t)bytes[3] << 24;
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static bool load_block(struct series *series, struct series_column *column,
                       uint64_t index)
{
    uint64_t first = index - index % SERIES_BLOCK_VALUES;
    uint64_t count = series->points - first;
    if (count > SERIES_BLOCK_VALUES)
        count = SERIES_BLOCK_VALUES;
    column->block_count = 0;
    if (!result_file_read(series->result, column->offset + first * sizeof(float),
                          column->block, (size_t)count * sizeof(float)))
        return false;
    for (uint64_t i = 0; i < count; i++) {
        uint32_t little;
        memcpy(&little, &column->block[i], sizeof little);
        column->block[i] = float32(little);
    }
    column->block_first = first;
    column->block_count = count;
    return true;
}

static double value(struct series *series, struct series_column *column, uint64_t index)
{
    if (column->even)
        return column->start + column->step * (double)index;
    bool held =
        index >= column->block_first && index - column->block_first < column->block_count;
    if (!held && !load_block(series, column, index)) {
        series->broken = true;
        return -INFINITY;
    }
    float found = column->block[index - column->block_first];
    return isfinite(found) ? (double)found : -INFINITY; /* all "no value" */
}

double series_x(struct series *series, uint64_t index)
{
    return value(series, &series->x, index);
}

double series_y(struct series *series, uint64_t index)
{
    return value(series, &series->y, index);
}

/* The first point whose x is ≥ limit, or > limit where `beyond`. */
static uint64_t first_at(struct series *series, double limit, bool beyond)
{
    uint64_t low = 0, high = series->points;
    while (low < high) {
        uint64_t middle = low + (high - low) / 2;
        double x = series_x(series, middle);
        if (x < limit || (beyond && x == limit))
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

void series_cut(struct series *series, double from, double to, uint64_t *ret_first,
                uint64_t *ret_count)
{
    uint64_t first = first_at(series, from, false);
    uint64_t end = first_at(series, to, true);
    *ret_first = first;
    *ret_count = end > first ? end - first : 0;
}

void series_thin(struct series *series, uint64_t first, uint64_t count, uint64_t points,
                 uint64_t *picks)
{
    uint64_t intervals = points / 2;
    for (uint64_t k = 0; k < intervals; k++) {
        uint64_t begin = first + count * k / intervals;
        uint64_t end = first + count * (k + 1) / intervals;
        uint64_t lowest = begin, highest = begin;
        double low = series_y(series, begin), high = low;
        for (uint64_t i = begin + 1; i < end; i++) {
            double y = series_y(series, i);
            if (y < low) {
                low = y;
                lowest = i;
            }
            if (y >= high) {
                high = y;
                highest = i;
            }
        }
        picks[2 * k] = lowest < highest ? lowest : highest;
        picks[2 * k + 1] = lowest < highest ? highest : lowest;
    }
}
