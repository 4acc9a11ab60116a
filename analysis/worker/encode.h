/** A report → the result file of wire.h. */
#ifndef ANALYSIS_WORKER_ENCODE_H
#define ANALYSIS_WORKER_ENCODE_H

#include <stdbool.h>

#include <jansson.h>

#include "analysis/core/problem.h"
#include "analysis/core/report.h"
#include "analysis/core/settings.h"
#include "analysis/worker/signal_json.h"

/** Writes header, body, index and series to the empty file `descriptor` (borrowed). The
 * same settings and report give the same bytes. Problems: OUT_OF_MEMORY, IO. */
bool encode_result(const struct settings *settings, const struct signal_json *played,
                   const struct report *report, int descriptor, struct problem *problem)
    __attribute__((warn_unused_result));

/** Gives the body alone: {"engine","settings","signal","channels","warnings"}; NULL: no
 * memory. */
json_t *encode_body(const struct settings *settings, const struct signal_json *played,
                    const struct report *report) __attribute__((warn_unused_result));

#endif
