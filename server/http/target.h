/**
 * The target of a request, taken apart: path segments and query parameters,
 * percent-decoded
 * ('+' is a space in the query). Everything decoded is valid UTF-8 without a zero byte.
 */
#ifndef SERVER_HTTP_TARGET_H
#define SERVER_HTTP_TARGET_H

#include <stdbool.h>

#include "server/base/problem.h"

enum { TARGET_SEGMENTS_MAX = 8, TARGET_PARAMETERS_MAX = 32, TARGET_LIST_BYTES = 200 };

struct target_parameter {
    const char *name, *value;
};

struct target {
    char *buffer;          /* holds all the texts below */
    const char *authority; /* host and port of an absolute-form target, or NULL */
    const char *segments[TARGET_SEGMENTS_MAX];
    int segment_count; /* a slash at the end adds an empty one */
    struct target_parameter parameters[TARGET_PARAMETERS_MAX];
    int parameter_count;
};

/** Takes `raw` apart as it stood in the request line. Gives *ret (target_free). Fails
 * with BAD_REQUEST (escape, bytes, too many pieces) or OUT_OF_RANGE (a parameter twice,
 * but `measure`, which may stand for several). */
bool target_parse(const char *raw, struct target *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void target_free(struct target *target);

/** The value of a query parameter, or NULL. */
const char *target_get(const struct target *target, const char *name);

/** Refuses parameters that are not among `known` (separated by spaces): UNKNOWN_FIELD. */
bool target_check_known(const struct target *target, const char *known,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));

/** True when `word` is one of the space-separated `words`. */
bool target_word_among(const char *word, const char *words);

/** "capture state limit" becomes "capture, state, limit". */
void target_list_words(const char *words, char list[TARGET_LIST_BYTES]);

/** Appends `text` to the `size` bytes at `buffer`, percent-encoded but for the unreserved
 *  characters of RFC 3986; what does not fit is left out whole. */
void target_append_encoded(char *buffer, unsigned size, const char *text);

#endif
