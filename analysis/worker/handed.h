/**
 * What health found of a recording, handed to a measurement of it: the part of each
 * channel without a break, and the warnings, which its result repeats.
 */
#ifndef ANALYSIS_WORKER_HANDED_H
#define ANALYSIS_WORKER_HANDED_H

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/core/report.h"
#include "analysis/measurements/steady.h"

enum { HANDED_MAX_WARNINGS = 256 };

struct handed {
    bool known;                                          /* false: measure everything */
    struct steady_clean clean[DESCRIPTION_MAX_CHANNELS]; /* by channel */
    int warning_count;
    struct {
        const char *code;    /* a string literal */
        int channel;         /* 0: all */
        const char *message; /* borrowed from the object */
    } warnings[HANDED_MAX_WARNINGS];
};

/** Reads the `health` of an answer; NULL: none is known. OUT_OF_RANGE (field `health`)
 * for an object that no worker wrote. */
bool handed_read(const json_t *health, struct handed *ret, struct problem *problem)
    __attribute__((warn_unused_result));

/** Warns of what concerns the report's channels. */
void handed_warn(const struct handed *handed, struct report *report);

#endif
