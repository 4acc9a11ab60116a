#include "analysis/signals/signal.h"

#include <math.h>
#include <string.h>

#include "analysis/signals/jitter_pattern.h"
#include "analysis/signals/multitone.h"
#include "analysis/signals/silence.h"
#include "analysis/signals/tone.h"
#include "analysis/signals/twin_tone.h"
#include "analysis/signals/white_noise.h"

static const struct signal *const signals[] = {
    &tone_signal,      &silence_signal,        &twin_tone_signal,
    &multitone_signal, &jitter_pattern_signal, &white_noise_signal};

struct signal_form signal_form(const struct settings *parameters)
{
    const struct setting_value *values = parameters->values;
    int sample_rate_hz = (int)values[PARAMETER_SAMPLE_RATE_HZ].number;
    return (struct signal_form){
        .sample_rate_hz = sample_rate_hz,
        .bits = (int)values[PARAMETER_BITS].number,
        .channels = (int)values[PARAMETER_CHANNELS].number,
        .frames = (int64_t)llround(values[PARAMETER_DURATION_S].number * sample_rate_hz),
    };
}

int signal_count(void)
{
    return (int)(sizeof signals / sizeof signals[0]);
}

const struct signal *signal_get(int index)
{
    return signals[index];
}

const struct signal *signal_find(const char *name)
{
    for (int i = 0; i < signal_count(); i++)
        if (strcmp(signals[i]->description.name, name) == 0)
            return signals[i];
    return NULL;
}
