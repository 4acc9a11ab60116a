/**
 * What went wrong in the world: a kind, the field or setting concerned, one sentence with
 * the numbers and their units. The first problem wins. Nothing is allocated.
 */
#ifndef ANALYSIS_CORE_PROBLEM_H
#define ANALYSIS_CORE_PROBLEM_H

#include <stdbool.h>

enum problem_kind {
    PROBLEM_NONE,
    PROBLEM_NOT_AUDIO,          /* the bytes are not a recording */
    PROBLEM_UNSUPPORTED_FORMAT, /* a recording, of a format outside the list */
    PROBLEM_NO_AUDIO,           /* a recording without a single frame */
    PROBLEM_UNKNOWN_FIELD,
    PROBLEM_MISSING_FIELD,
    PROBLEM_OUT_OF_RANGE,
    PROBLEM_NOT_MEASURABLE, /* the recording does not hold what the measurement needs */
    PROBLEM_WRONG_SIGNAL,
    PROBLEM_NOT_FINITE, /* a sample is NaN or infinite */
    PROBLEM_OUT_OF_MEMORY,
    PROBLEM_DISK_FULL,
    PROBLEM_IO, /* reading or writing a descriptor failed */
    PROBLEM_KINDS,
};

struct problem {
    enum problem_kind kind;
    char field[64];   /* "" when none is concerned */
    char detail[400]; /* one sentence */
};

/** Fills *problem unless it holds one already; returns false always, so that a function
 * can `return problem_set(…)`. field may be NULL. */
bool problem_set(struct problem *problem, enum problem_kind kind, const char *field,
                 const char *format, ...) __attribute__((format(printf, 4, 5)));

/** The kind as the interface spells it: "not_audio", …; PROBLEM_IO is "unavailable". */
const char *problem_code(enum problem_kind kind);

#endif
