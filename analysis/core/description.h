/**
 * The words of a measurement or a test signal, written once: validation, `describe`, the
 * JSON of a result and the reference page are all made from these tables.
 */
#ifndef ANALYSIS_CORE_DESCRIPTION_H
#define ANALYSIS_CORE_DESCRIPTION_H

#include <stdbool.h>

enum { DESCRIPTION_MAX_SETTINGS = 16, DESCRIPTION_MAX_CHANNELS = 16 };

enum setting_type {
    SETTING_NUMBER,
    SETTING_INTEGER,          /* choices: the allowed numbers as text, or none */
    SETTING_RANGE,            /* two ascending numbers */
    SETTING_CHOICE,           /* one of choices */
    SETTING_CHOICE_OR_NUMBER, /* one of choices, or a number within the limits */
    SETTING_CHANNELS,         /* distinct channel numbers, from 1 */
};

struct setting_description {
    const char *name;
    enum setting_type type;
    const char *unit;           /* "" for none */
    const char *default_json;   /* "10", "[20,20000]", "\"band\"", "null" (not given) */
    double minimum, maximum;    /* limits of every number; equal: no limits */
    const char *const *choices; /* NULL-terminated, or NULL */
    const char *meaning;        /* one line */
};

enum better { BETTER_NONE, BETTER_LOWER, BETTER_HIGHER };

/** What the recorder itself adds to a figure: noise, as powers; or products that may be
 * in phase with the device's, as amplitudes. Either needs a `better`. */
enum floor_kind { FLOOR_NONE, FLOOR_NOISE, FLOOR_HARMONIC };

struct figure_description {
    const char *name, *unit, *definition, *source;
    enum better better;
    enum floor_kind floor;
    /** The figure (a level in dBFS) that this one is relative to; NULL: none. */
    const char *relative_to;
};

enum value_type { VALUE_NUMBER, VALUE_BOOLEAN, VALUE_WORD };

struct finding_description {
    const char *name;
    enum value_type type;
    const char *definition;
};

enum { DESCRIPTION_MAX_FIELDS = 10 };

struct list_description {
    const char *name, *definition;
    struct list_field {
        const char *name;
        enum value_type type;
        const char *unit;
    } fields[DESCRIPTION_MAX_FIELDS]; /* ends at the first without a name */
};

struct axis_description {
    const char *name, *unit;
};

struct series_description {
    const char *name, *definition;
    struct axis_description x, y;
};

struct description {
    const char *name, *summary;
    const char *stimulus; /* measurements: the signal expected */
    const struct setting_description *settings;
    int setting_count;
    const struct figure_description *figures;
    int figure_count;
    const struct finding_description *findings;
    int finding_count;
    const struct list_description *lists;
    int list_count;
    const struct series_description *series;
    int series_count;
};

#endif
