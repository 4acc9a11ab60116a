/**
 * The file a worker wrote: header, body, index of the series, series. Its layout is that
 * of analysis/worker/wire.h, read byte by byte; what does not add up is refused, since a
 * worker may have gone wrong.
 */
#ifndef SERVER_HTTP_RESULT_FILE_H
#define SERVER_HTTP_RESULT_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <jansson.h>

#include "server/base/problem.h"

struct result_file {
    int file;             /* owned */
    uint64_t body_offset; /* of the JSON object */
    uint64_t body_bytes;
    uint64_t index_offset;
    uint64_t index_bytes;
    uint64_t series_offset;
    uint64_t series_bytes;
};

/** Checks the header against the file's length. Takes `file` over, also when it fails
 *  (UNAVAILABLE). End with result_file_close. */
bool result_file_open(int file, struct result_file *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void result_file_close(struct result_file *result);

/** Reads exactly `count` bytes at `offset`; false when they are not there. */
bool result_file_read(const struct result_file *result, uint64_t offset, void *bytes,
                      size_t count) __attribute__((warn_unused_result));

/** Gives the index, an array. */
bool result_file_index(const struct result_file *result, json_t **ret,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
