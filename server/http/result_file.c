#include "server/http/result_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { HEADER_BYTES = 32, BODY_MAX_BYTES = 16 << 20, INDEX_MAX_BYTES = 1 << 20 };

static uint64_t little_endian(const uint8_t *bytes, int count)
{
    uint64_t value = 0;
    for (int i = count - 1; i >= 0; i--)
        value = value << 8 | bytes[i];
    return value;
}

static bool refuse(struct server_problem *problem)
{
    return server_problem_set(
        problem, SERVER_PROBLEM_UNAVAILABLE, "",
        "The file of this result is damaged; run the analysis again.");
}

bool result_file_read(const struct result_file *result, uint64_t offset, void *bytes,
                      size_t count)
{
    char *to = bytes;
    while (count > 0) {
        ssize_t got = pread(result->file, to, count, (off_t)offset);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return false;
        to += got;
        offset += (uint64_t)got;
        count -= (size_t)got;
    }
    return true;
}

bool result_file_open(int file, struct result_file *ret, struct server_problem *problem)
{
    struct result_file result = {.file = file};
    uint8_t header[HEADER_BYTES];
    char braces[2] = "";
    struct stat status;
    if (fstat(file, &status) != 0 ||
        !result_file_read(&result, 0, header, sizeof header) ||
        memcmp(header, "RSDRES01", 8) != 0)
        goto damaged;
    result.body_offset = HEADER_BYTES;
    result.body_bytes = little_endian(header + 8, 4);
    result.index_offset = result.body_offset + result.body_bytes;
    result.index_bytes = little_endian(header + 12, 4);
    result.series_offset = result.index_offset + result.index_bytes;
    result.series_bytes = little_endian(header + 16, 8);
    if (result.body_bytes < 2 || result.body_bytes > BODY_MAX_BYTES ||
        result.index_bytes > INDEX_MAX_BYTES ||
        (uint64_t)status.st_size < result.series_offset ||
        (uint64_t)status.st_size - result.series_offset != result.series_bytes ||
        !result_file_read(&result, result.body_offset, &braces[0], 1) ||
        !result_file_read(&result, result.index_offset - 1, &braces[1], 1) ||
        braces[0] != '{' || braces[1] != '}')
        goto damaged;
    *ret = result;
    return true;

damaged:
    close(file);
    return refuse(problem);
}

void result_file_close(struct result_file *result)
{
    if (result->file >= 0)
        close(result->file);
    result->file = -1;
}

bool result_file_index(const struct result_file *result, json_t **ret,
                       struct server_problem *problem)
{
    char *text = malloc(result->index_bytes + 1);
    json_t *index = NULL;
    if (text != NULL &&
        result_file_read(result, result->index_offset, text, result->index_bytes))
        index = json_loadb(text, result->index_bytes, JSON_REJECT_DUPLICATES, NULL);
    free(text);
    if (!json_is_array(index)) {
        json_decref(index);
        return refuse(problem);
    }
    *ret = index;
    return true;
}
