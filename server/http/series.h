/**
 * One curve of a result: found in the index, cut to a range of x, thinned. Columns are
 * read from the file in blocks; nothing holds a whole curve.
 */
#ifndef SERVER_HTTP_SERIES_H
#define SERVER_HTTP_SERIES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <jansson.h>

#include "server/base/problem.h"
#include "server/http/result_file.h"

enum { SERIES_BLOCK_VALUES = 4096 };

/** A column of numbers: evenly spaced, or little-endian float32 in the file. */
struct series_column {
    bool even;
    double start, step; /* even: value = start + step · index */
    uint64_t offset;    /* else: of the column in the file */
    float *block;       /* else: SERIES_BLOCK_VALUES of them */
    uint64_t block_first, block_count;
};

struct series {
    const struct result_file *result; /* borrowed */
    uint64_t points;
    struct series_column x, y;
    bool broken; /* a value could not be read */
};

struct series_entry_choice {
    const char *name;
    int64_t channel; /* 0: the first of that name */
};

/** The entry of the index (borrowed from it); NOT_FOUND naming the series there are, or
 *  OUT_OF_RANGE naming the channels. */
bool series_find(const json_t *index, const struct series_entry_choice *choice,
                 const json_t **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Opens the entry's columns after checking that they lie within the file. Borrows
 * `result`; gives *ret (series_close). */
bool series_open(const struct result_file *result, const json_t *entry,
                 struct series *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void series_close(struct series *series);

/** x and y of point `index`; −∞ where there is no value. A failed read sets `broken`. */
double series_x(struct series *series, uint64_t index);
double series_y(struct series *series, uint64_t index);

/** The points with from ≤ x ≤ to, x ascending. */
void series_cut(struct series *series, double from, double to, uint64_t *ret_first,
                uint64_t *ret_count);

/**
 * Thins points first … first + count − 1, count > `points`, to points / 2 intervals of
 * equal numbers of points; of each the smallest and the largest y, in the order of x.
 * Where several are equal: the first of the smallest, the last of the largest. Fills
 * picks[2 · (points / 2)] with indices, strictly ascending.
 */
void series_thin(struct series *series, uint64_t first, uint64_t count, uint64_t points,
                 uint64_t *picks);

#endif
