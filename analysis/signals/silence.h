/** Digital silence: every sample is 0, without dither. */
#ifndef ANALYSIS_SIGNALS_SILENCE_H
#define ANALYSIS_SIGNALS_SILENCE_H

#include "analysis/signals/signal.h"

extern const struct signal silence_signal;

#endif
