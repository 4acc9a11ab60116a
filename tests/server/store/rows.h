/** Rows that the tests of the store share. Invented; nothing of them was measured. */
#ifndef TESTS_SERVER_STORE_ROWS_H
#define TESTS_SERVER_STORE_ROWS_H

#include <stdio.h>
#include <string.h>

#include "server/store/store.h"

/* Capture number n: id cap_aaaa…n with digits as letters, so that a test can name it
 * again. */
static inline void rows_id(const char *prefix, int n, char id[ID_BYTES])
{
    snprintf(id, ID_BYTES, "%s_aaaaaaaaaaaaaaaaaaaa", prefix);
    for (size_t at = strlen(id); n > 0; n /= 26)
        id[--at] = (char)('a' + n % 26);
}

static inline struct store_capture rows_capture(int n)
{
    struct store_capture capture = {.name = (char *)"unit A, take 1",
                                    .note = (char *)"Harbour Street, desk 4",
                                    .tester = (char *)"mina",
                                    .received_ms = 1764032523000 + n,
                                    .bytes = 1152044,
                                    .format = (char *)"{\"container\":\"wav\"}",
                                    .warnings = (char *)"[]"};
    rows_id("cap", n, capture.id);
    snprintf(capture.sha256, sizeof capture.sha256, "%064x", (unsigned)n);
    return capture;
}

static inline struct store_analysis rows_analysis(int n, int capture)
{
    struct store_analysis analysis = {.measurement = (char *)"distortion",
                                      .settings = (char *)"{\"harmonics\":5}",
                                      .tester = (char *)"mina",
                                      .state = STORE_QUEUED,
                                      .created_ms = 1764032524000 + n};
    rows_id("ana", n, analysis.id);
    rows_id("cap", capture, analysis.capture);
    return analysis;
}

#endif
