#include "analysis/measurements/floor.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analysis/core/decibel.h"

static const double noise_within_db = 10, harmonic_within_db = 20, bound_within_db = 3;
static const double louder_by_db = 1; /* a recording, than its floor */

enum { NAMES_BYTES = 450 };

struct judgement {
    int with_value, judged,
        missing; /* missing: for want of a tone in the floor capture */
    const char *first_missing;
    double louder_db; /* how far the recording's tone exceeds the floor's; 0: no tone */
    char bounds[NAMES_BYTES], widened[NAMES_BYTES];
};

/* Percent, volts (V, V/√Hz) and seconds (of jitter) are amplitudes; a bit is 6.02 dB
 * (IEEE 1241); all else is in dB. */
static bool is_amplitude(const struct figure_description *description)
{
    return description->unit[0] == '%' || description->unit[0] == 'V' ||
           strcmp(description->unit, "s") == 0;
}

static double db_per_unit(const struct figure_description *description)
{
    return strcmp(description->unit, "bit") == 0 ? 6.02 : 1;
}

/* In decibels, the larger the worse. */
static double worse_db(const struct figure_description *description, double value)
{
    double db =
        is_amplitude(description) ? 20 * log10(value) : value * db_per_unit(description);
    return description->better == BETTER_HIGHER ? -db : db;
}

/* The value made worse by so many decibels (negative: better). */
static double made_worse(const struct figure_description *description, double value,
                         double db)
{
    double up_db = description->better == BETTER_HIGHER ? -db : db;
    return is_amplitude(description) ? value * decibel_to_amplitude(up_db)
                                     : value + up_db / db_per_unit(description);
}

static bool known(const struct report_figure *figure, double *ret)
{
    *ret = figure->has_value ? figure->value : figure->bound;
    return figure->has_value || figure->has_bound;
}

/* How far the level that the figure is relative to is higher in the recording. */
static double louder_db(const struct description *description, int figure,
                        const struct report_figure *own,
                        const struct report_figure *floor)
{
    const char *name = description->figures[figure].relative_to;
    for (int i = 0; name && i < description->figure_count; i++)
        if (strcmp(description->figures[i].name, name) == 0)
            return own[i].has_value && floor[i].has_value ? own[i].value - floor[i].value
                                                          : 0;
    return 0;
}

static void add_name(char names[NAMES_BYTES], const char *name, double distance_db)
{
    size_t used = strlen(names);
    snprintf(names + used, NAMES_BYTES - used, "%s%s (%.1f dB)", used > 0 ? ", " : "",
             name, distance_db);
}

/* A figure within reach of the floor. A null one has a bound; noise cannot make that
 * wrong. */
static void change(struct report *report, int c, int figure, double distance_db,
                   struct judgement *judgement)
{
    const struct figure_description *description = &report->description->figures[figure];
    const struct report_figure was = report->channels[c].figures[figure];
    bool harmonic = description->floor == FLOOR_HARMONIC;
    double ratio = pow(10, -distance_db / (harmonic ? 20 : 10)); /* floor to figure */
    double worse = harmonic ? 20 * log10(1 + ratio) : 0;
    if (!was.has_value && !harmonic)
        return;
    if (!was.has_value) {
        report_bound(report, c, figure, made_worse(description, was.bound, worse));
        add_name(judgement->bounds, description->name, distance_db);
    } else if (distance_db < bound_within_db) {
        double u95 = isfinite(was.u95) ? was.u95 : 0;
        double value =
            description->better == BETTER_HIGHER ? was.value - u95 : was.value + u95;
        report_at_worst(report, c, figure, made_worse(description, value, worse));
        add_name(judgement->bounds, description->name, distance_db);
    } else {
        double error_db = -(harmonic ? 20 : 10) * log10(1 - ratio);
        double half = fabs(made_worse(description, was.value, -error_db) - was.value);
        report_value(report, c, figure, was.value, was.u95 + half);
        add_name(judgement->widened, description->name, distance_db);
    }
}

static void judge(struct report *report, int c, int figure,
                  const struct report_channel *floor, struct judgement *judgement)
{
    const struct description *table = report->description;
    const struct figure_description *description = &table->figures[figure];
    const struct report_figure *own = report->channels[c].figures;
    double value, floor_value;
    if (description->floor == FLOOR_NONE || !known(&own[figure], &value))
        return;
    assert(description->better != BETTER_NONE);
    judgement->with_value++;
    if (!known(&floor->figures[figure], &floor_value)) {
        if (floor->figures[figure].reason == REASON_NO_REFERENCE &&
            judgement->missing++ == 0)
            judgement->first_missing = description->name;
        return;
    }
    judgement->judged++;
    double louder = louder_db(table, figure, own, floor->figures);
    bool harmonic = description->floor == FLOOR_HARMONIC;
    if (harmonic)
        judgement->louder_db = fmax(judgement->louder_db, louder);
    double floor_db =
        worse_db(description, floor_value) - (harmonic ? fmin(louder, 0) : louder);
    double distance_db = worse_db(description, value) - floor_db;
    if (distance_db < (harmonic ? harmonic_within_db : noise_within_db))
        change(report, c, figure, distance_db, judgement);
}

static void warn(struct report *report, int channel, const struct judgement *judgement)
{
    if (judgement->with_value > 0 && judgement->judged == 0)
        report_warn(
            report, "wrong_signal", channel,
            "The floor capture gives no figure for this channel, so nothing of it "
            "is judged; record the same test signal as the recorder's own floor.");
    else if (judgement->missing > 0)
        report_warn(report, "wrong_signal", channel,
                    "Not judged: %s and what else is counted from a signal that the "
                    "floor capture does not hold (figures: %d); record the same test "
                    "signal as the recorder's own floor.",
                    judgement->first_missing, judgement->missing);
    if (judgement->louder_db > louder_by_db)
        report_warn(
            report, "wrong_signal", channel,
            "The tone is %.1f dB stronger than in the floor capture: what the "
            "recorder itself adds at this level is not known; record its floor at "
            "this level or above.",
            judgement->louder_db);
    if (judgement->bounds[0] || judgement->widened[0])
        report_warn(report, "near_instrument_floor", channel,
                    "Near the recorder's own floor, the distance to it in brackets. "
                    "Only bounds: %s. u95 widened: %s.",
                    judgement->bounds[0] ? judgement->bounds : "none",
                    judgement->widened[0] ? judgement->widened : "none");
}

static const struct report_channel *channel_of(const struct report *report, int number)
{
    for (int c = 0; c < report->channel_count; c++)
        if (report->channels[c].channel == number)
            return &report->channels[c];
    return NULL;
}

void floor_apply(struct report *report, const struct report *floor)
{
    assert(report->description == floor->description);
    for (int c = 0; c < report->channel_count; c++) {
        int number = report->channels[c].channel;
        const struct report_channel *other = channel_of(floor, number);
        struct judgement judgement = {0};
        for (int i = 0; other && i < report->description->figure_count; i++)
            judge(report, c, i, other, &judgement);
        warn(report, number, &judgement);
    }
}
