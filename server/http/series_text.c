#include "server/http/series_text.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NUMBER_BYTES = 32 }; /* a comma and 12 digits with signs and exponent, and more */

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

bool series_text_begin(const json_t *entry, struct series_text *ret)
{
    struct series_text text = {0};
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
    text->stage++;
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

static size_t write_values(struct series_text *text,
                           double (*value)(struct series *, uint64_t), char *bytes,
                           size_t size)
{
    size_t used = 0;
    while (text->done < text->count && size - used >= NUMBER_BYTES) {
        uint64_t index =
            text->picks != NULL ? text->picks[text->done] : text->first + text->done;
        double number = value(text->series, index);
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
    while (text->stage != SERIES_TEXT_END && size - used >= NUMBER_BYTES) {
        char *at = bytes + used;
        size_t left = size - used;
        switch (text->stage) {
        case SERIES_TEXT_HEAD:
            used += write_fixed(text, text->head, at, left);
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
