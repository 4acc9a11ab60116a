#include "server/http/series_text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum {
    POINT_BYTES = 48, /* two numbers of 12 digits with signs and exponents, and more */
    COLUMN_BYTES = 96,
};

static const char tail[] = "]}}";

/* The object's text up to its last brace, then `more`. Takes `object` over. */
static char *opened(json_t *object, const char *more)
{
    char *text = json_dumps(object, JSON_COMPACT | JSON_REAL_PRECISION(12));
    char *whole = NULL;
    json_decref(object);
    if (text != NULL) {
        text[strlen(text) - 1] = '\0';
        if (asprintf(&whole, "%s%s", text, more) < 0)
            whole = NULL;
    }
    free(text);
    return whole;
}

static json_t *copied(const json_t *object, const char *name)
{
    json_t *member = json_object_get(object, name);
    return member == NULL ? json_null() : json_deep_copy(member);
}

static json_t *axis(const json_t *entry, const char *name)
{
    const json_t *found = json_object_get(entry, name);
    return json_pack("{s:o, s:o}", "name", copied(found, "name"), "unit",
                     copied(found, "unit"));
}

/* The word for a sign at `unit`, and the sign's length; NULL: none of these. */
static const char *word_of(const char *unit, size_t *ret_length)
{
    static const struct {
        const char *sign, *word;
    } words[] = {{"%", "percent"}, {"/", "_per_"}, {"\u221a", "sqrt_"}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        *ret_length = strlen(words[i].sign);
        if (strncmp(unit, words[i].sign, *ret_length) == 0)
            return words[i].word;
    }
    return NULL;
}

static void append_unit(const char *unit, size_t used, char ret[COLUMN_BYTES])
{
    size_t length;
    for (; *unit != '\0' && used + sizeof "percent" < COLUMN_BYTES; unit += length) {
        const char *word = word_of(unit, &length);
        if (word != NULL) {
            used += (size_t)snprintf(ret + used, COLUMN_BYTES - used, "%s", word);
            continue;
        }
        length = 1;
        ret[used++] = (char)(isalnum((unsigned char)*unit) ? tolower(*unit) : '_');
    }
    ret[used] = '\0';
}

static const char *text_of(const json_t *axis, const char *name, const char *otherwise)
{
    const char *text = json_string_value(json_object_get(axis, name));
    return text != NULL ? text : otherwise;
}

/* "frequency" in "Hz" is "frequency_hz", "density" in "dBFS/√Hz"
 * "density_dbfs_per_sqrt_hz": letters that no program needs quotes for. */
static void column_name(const json_t *entry, const char *axis_name,
                        char ret[COLUMN_BYTES])
{
    const json_t *found = json_object_get(entry, axis_name);
    const char *unit = text_of(found, "unit", "");
    int used = snprintf(ret, COLUMN_BYTES / 2, "%.40s%s",
                        text_of(found, "name", axis_name), unit[0] != '\0' ? "_" : "");
    append_unit(unit, (size_t)used, ret);
}

static bool begin_csv(const json_t *entry, struct series_text *ret)
{
    char x[COLUMN_BYTES], y[COLUMN_BYTES], *head;
    column_name(entry, "x", x);
    column_name(entry, "y", y);
    if (asprintf(&head, "%s,%s\r\n", x, y) < 0)
        return false;
    *ret = (struct series_text){.format = SERIES_TEXT_CSV, .head = head};
    return true;
}

bool series_text_begin(const json_t *entry, enum series_text_format format,
                       struct series_text *ret)
{
    struct series_text text = {0};
    if (format == SERIES_TEXT_CSV)
        return begin_csv(entry, ret);
    json_t *facts = json_pack("{s:o, s:o}", "name", copied(entry, "name"), "channel",
                              copied(entry, "channel"));
    const json_t *bandwidth = json_object_get(entry, "resolution_bandwidth_hz");
    if (bandwidth != NULL)
        json_object_set_new(facts, "resolution_bandwidth_hz", json_deep_copy(bandwidth));
    char *head = opened(facts, ",\"x\":");
    char *x = opened(axis(entry, "x"), ",\"values\":[");
    char *y = opened(axis(entry, "y"), ",\"values\":[");
    bool made = head != NULL && x != NULL && y != NULL &&
                asprintf(&text.head, "%s%s", head, x) >= 0;
    if (made && asprintf(&text.middle, "]},\"y\":%s", y) < 0) {
        free(text.head);
        made = false;
    }
    free(head);
    free(x);
    free(y);
    if (made)
        *ret = text;
    return made;
}

void series_text_free(struct series_text *text)
{
    free(text->head);
    free(text->middle);
    text->head = text->middle = NULL;
}

static void next_stage(struct series_text *text)
{
    bool csv = text->format == SERIES_TEXT_CSV;
    if (text->stage == SERIES_TEXT_HEAD)
        text->stage = csv ? SERIES_TEXT_ROWS : SERIES_TEXT_X;
    else
        text->stage = csv ? SERIES_TEXT_END : text->stage + 1;
    text->done = 0;
}

static size_t write_fixed(struct series_text *text, const char *fixed, char *bytes,
                          size_t size)
{
    size_t left = strlen(fixed) - text->done;
    size_t count = left < size ? left : size;
    memcpy(bytes, fixed + text->done, count);
    text->done += count;
    if (count == left)
        next_stage(text);
    return count;
}

static uint64_t point_index(const struct series_text *text)
{
    return text->picks != NULL ? text->picks[text->done] : text->first + text->done;
}

static size_t write_rows(struct series_text *text, char *bytes, size_t size)
{
    size_t used = 0;
    while (text->done < text->count && size - used >= POINT_BYTES) {
        uint64_t index = point_index(text);
        double x = series_x(text->series, index), y = series_y(text->series, index);
        char *at = bytes + used;
        int count = isfinite(x) ? snprintf(at, size - used, "%.12g,", x)
                                : snprintf(at, size - used, ",");
        used += (size_t)count;
        count = isfinite(y) ? snprintf(bytes + used, size - used, "%.12g\r\n", y)
                            : snprintf(bytes + used, size - used, "\r\n");
        used += (size_t)count;
        text->done++;
    }
    if (text->done == text->count)
        next_stage(text);
    return used;
}

static size_t write_values(struct series_text *text,
                           double (*value)(struct series *, uint64_t), char *bytes,
                           size_t size)
{
    size_t used = 0;
    while (text->done < text->count && size - used >= POINT_BYTES) {
        double number = value(text->series, point_index(text));
        const char *comma = text->done > 0 ? "," : "";
        used +=
            (size_t)(isfinite(number)
                         ? snprintf(bytes + used, size - used, "%s%.12g", comma, number)
                         : snprintf(bytes + used, size - used, "%snull", comma));
        text->done++;
    }
    if (text->done == text->count)
        next_stage(text);
    return used;
}

size_t series_text_next(struct series_text *text, char *bytes, size_t size)
{
    size_t used = 0;
    while (text->stage != SERIES_TEXT_END && size - used >= POINT_BYTES) {
        char *at = bytes + used;
        size_t left = size - used;
        switch (text->stage) {
        case SERIES_TEXT_HEAD:
            used += write_fixed(text, text->head, at, left);
            break;
        case SERIES_TEXT_ROWS:
            used += write_rows(text, at, left);
            break;
        case SERIES_TEXT_X:
            used += write_values(text, series_x, at, left);
            break;
        case SERIES_TEXT_MIDDLE:
            used += write_fixed(text, text->middle, at, left);
            break;
        case SERIES_TEXT_Y:
            used += write_values(text, series_y, at, left);
            break;
        case SERIES_TEXT_TAIL:
            used += write_fixed(text, tail, at, left);
            break;
        case SERIES_TEXT_END:
            break;
        }
    }
    return used;
}
