/** GET /metrics: what an overseer of machines asks again and again, in the text format of
 * Prometheus. Names follow its conventions; no label holds an id or a name of anybody. */
#ifndef SERVER_HTTP_METRICS_H
#define SERVER_HTTP_METRICS_H

#include <stdatomic.h>
#include <stdint.h>

enum { METRICS_CLASSES = 5 }; /* of statuses: 1xx to 5xx */

/** What is counted as it happens; all else is looked at when it is asked for. Zeroed. */
struct metrics {
    int64_t started_ms; /* wall clock */
    atomic_ulong answers[METRICS_CLASSES];
    atomic_ullong body_bytes;
};

/** A request has been answered. */
void metrics_count(struct metrics *metrics, unsigned status, int64_t body_bytes);

#endif
