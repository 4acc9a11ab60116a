/** A series as JSON or CSV (RFC 4180), written piece by piece. */
#ifndef SERVER_HTTP_SERIES_TEXT_H
#define SERVER_HTTP_SERIES_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/http/series.h"

enum series_text_format {
    SERIES_TEXT_JSON,
    SERIES_TEXT_CSV, /* a line of names with units, then a line a point; no value: empty
                      */
};

enum series_text_stage {
    SERIES_TEXT_HEAD,
    SERIES_TEXT_ROWS, /* CSV only; the four below JSON only */
    SERIES_TEXT_X,
    SERIES_TEXT_MIDDLE,
    SERIES_TEXT_Y,
    SERIES_TEXT_TAIL,
    SERIES_TEXT_END,
};

struct series_text {
    struct series *series; /* borrowed */
    uint64_t first, count; /* the points shown … */
    const uint64_t *picks; /* … or these `count` ones, where not NULL; borrowed */
    enum series_text_format format;
    char *head, *middle; /* texts before the x and the y values; owned */
    enum series_text_stage stage;
    uint64_t done; /* bytes or values of the stage that were written */
};

/** Writes the texts around the values from the index's entry: name, channel, axes, units,
 *  resolution bandwidth where there is one; for CSV "frequency_hz,level_dbfs". series,
 * first, count and picks are the caller's to fill. End with series_text_free. False
 * without memory. */
bool series_text_begin(const json_t *entry, enum series_text_format format,
                       struct series_text *ret) __attribute__((warn_unused_result));
void series_text_free(struct series_text *text);

/** Fills up to `size` (≥ 64) bytes; 0 at the end. Numbers have 12 digits, "no value" is
 *  null, in CSV nothing. */
size_t series_text_next(struct series_text *text, char *bytes, size_t size);

#endif
