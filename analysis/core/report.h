/**
 * The result of one measurement under construction: for each channel measured its span,
 * figures, findings, lists and series, and the warnings. Everything is addressed by its
 * index in the measurement's tables, so no name is written twice.
 *
 * A figure never set is null with the reason `not_determinable`. A value that is not
 * finite becomes that too: no NaN ever leaves. When memory runs out while building, the
 * report remembers it and report_complete fails with OUT_OF_MEMORY.
 */
#ifndef ANALYSIS_CORE_REPORT_H
#define ANALYSIS_CORE_REPORT_H

#include <stdbool.h>
#include <stddef.h>

#include "analysis/core/description.h"
#include "analysis/core/problem.h"

enum reason {
    REASON_NO_CALIBRATION,
    REASON_DIGITAL_SILENCE,
    REASON_BELOW_NOISE,
    REASON_ABOVE_BAND,
    REASON_NOT_ENOUGH_DATA,
    REASON_NO_REFERENCE,
    REASON_NOT_DETERMINABLE,
};
const char *reason_text(enum reason reason);

struct report_figure {
    bool has_value;
    double value;
    double u95;         /* NaN: not known → JSON null */
    enum reason reason; /* when there is no value */
    bool has_bound;
    double bound;  /* BELOW_NOISE: the value is no worse than this */
    bool is_bound; /* `value` is the worst that can be true; u95 is NaN */
};

struct report_cell {
    enum value_type type;
    bool is_null;
    double number;
    bool flag;
    const char *word; /* a string literal */
};

struct report_rows {
    struct report_cell *cells; /* rows × fields of the list */
    int count, capacity;
};

struct report_series {
    float *y; /* NULL: not produced */
    size_t points;
    double x_start, x_step;
    double resolution_bandwidth_hz; /* 0: does not apply */
    float *x; /* where x is not evenly spaced: a column, ascending; else NULL */
};

struct report_channel {
    int channel; /* from 1 */
    bool has_span;
    double start_s, end_s;
    struct report_figure *figures;
    struct report_cell *findings; /* is_null until set */
    struct report_rows *lists;
    struct report_series *series;
};

struct report_warning {
    const char *code; /* a string literal, one of the interface's */
    int channel;      /* 0: all */
    char message[800];
};

enum { REPORT_MAX_WARNINGS = 64 };

struct report {
    const struct description *description;
    int channel_count;
    struct report_channel *channels;
    int warning_count;
    struct report_warning warnings[REPORT_MAX_WARNINGS];
    bool out_of_memory;
};

/** Gives a report with `count` channels of the numbers given (from 1); NULL: no memory.
 */
struct report *report_new(const struct description *description, const int *channels,
                          int count) __attribute__((warn_unused_result));
void report_free(struct report *report);

/* `c` is the index within the report's channels, not the channel's number. */
void report_span(struct report *report, int c, double start_s, double end_s);
void report_value(struct report *report, int c, int figure, double value, double u95);
void report_none(struct report *report, int c, int figure, enum reason reason);
/** Null with a bound that can be claimed all the same. */
void report_none_but(struct report *report, int c, int figure, enum reason reason,
                     double bound);
/** Null, BELOW_NOISE, with the bound that can be claimed. */
void report_bound(struct report *report, int c, int figure, double bound);
/** A value that is only a bound: the truth is no worse. */
void report_at_worst(struct report *report, int c, int figure, double value);
/** Every figure of the channel null with this reason (a channel without a signal). */
void report_none_all(struct report *report, int c, enum reason reason);
void report_flag(struct report *report, int c, int finding, bool flag);
/** A finding that is a word (a string literal); NULL: null. */
void report_say(struct report *report, int c, int finding, const char *word);
/** Appends a row; cells as many as the list has fields. */
void report_row(struct report *report, int c, int list, const struct report_cell *cells);
struct report_cell report_number(double value); /* not finite → null */
struct report_cell report_boolean(bool flag);
struct report_cell report_word(const char *word); /* NULL → null */
/** Takes over series->y and series->x (malloc'ed, `points` each). Whoever could not
 *  allocate x passes y NULL too. */
void report_series(struct report *report, int c, int series,
                   const struct report_series *values);
void report_warn(struct report *report, const char *code, int channel, const char *format,
                 ...) __attribute__((format(printf, 4, 5)));
/** False with OUT_OF_MEMORY when something could not be kept. */
bool report_complete(const struct report *report, struct problem *problem)
    __attribute__((warn_unused_result));

#endif
