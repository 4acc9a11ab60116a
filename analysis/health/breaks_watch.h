/**
 * Where samples of one channel are suddenly not what their neighbours tell: places that
 * deserve a second look. Costs little and claims nothing: tones that start and stop,
 * clicks and steps of the level show up here too, while noise, which nobody can predict,
 * is let pass.
 */
#ifndef ANALYSIS_HEALTH_BREAKS_WATCH_H
#define ANALYSIS_HEALTH_BREAKS_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "analysis/dsp/predict.h"

enum {
    BREAKS_WATCH_PLACES = 1024,
    BREAKS_WATCH_RECENT = 8,
    BREAKS_WATCH_TAIL = 2 * PREDICT_LONG,
};

struct breaks_watch {
    double sample_rate_hz, step; /* step: least that integer samples can differ, or 0 */
    struct predict predict;
    bool watching, stale, raised;
    int wait, patience;        /* blocks until it is tried again to predict */
    int blocks;                /* since it was trained */
    double failed_level;       /* of a block that could not be predicted */
    double signal;             /* rms of what is predicted, without dc */
    double usual, first_usual; /* largest residuals of late, and when trained */
    int in_a_row;
    bool dead; /* the last piece did not even have the noise */
    int dead_count;
    int64_t recent[BREAKS_WATCH_RECENT]; /* frames of the last places */
    double recent_sizes[BREAKS_WATCH_RECENT];
    double tail[BREAKS_WATCH_TAIL];
    int tail_count;
    int place_count;
    int64_t places[BREAKS_WATCH_PLACES];
    double sizes[BREAKS_WATCH_PLACES];
    int64_t blind_from; /* from here on recurring places are not noted; −1: never */
};

/** `step`: as above, in full scale. */
void breaks_watch_start(struct breaks_watch *watch, double sample_rate_hz, double step);
/** The next samples[count], of which the first is `first_frame`. */
void breaks_watch_feed(struct breaks_watch *watch, const double *samples, int count,
                       int64_t first_frame);

#endif
