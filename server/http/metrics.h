/** GET /metrics: what an overseer of machines asks again and again, in the text format of
 * Prometheus. Names follow its conventions; no label holds an id or a name of anybody. */
#ifndef SERVER_HTTP_METRICS_H
#define SERVER_HTTP_METRICS_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

enum { METRICS_CLASSES = 5 }; /* of statuses: 1xx to 5xx */

/** What is counted as it happens; all else is looked at when it is asked for. Zeroed. */
struct metrics {
    int64_t started_ms;                       /* wall clock */
    atomic_ulong answers[2][METRICS_CLASSES]; /* to safe methods, to others */
    atomic_ullong body_bytes;
    atomic_int connections; /* open now */
    atomic_ulong uploads;   /* kept */
    atomic_ullong upload_bytes;
};

/** A request has been answered. */
void metrics_count(struct metrics *metrics, bool unsafe, unsigned status,
                   int64_t body_bytes);
/** A recording of so many bytes has been taken. */
void metrics_count_upload(struct metrics *metrics, uint64_t bytes);

#endif
