/** Test signals rendered whole, for tests. */
#ifndef TESTS_ANALYSIS_SIGNALS_RENDERING_H
#define TESTS_ANALYSIS_SIGNALS_RENDERING_H

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analysis/signals/signal.h"
#include "tests/support/support.h"

static inline void rendering_default(const struct setting_description *setting,
                                     struct setting_value *ret)
{
    const char *text = setting->default_json;
    *ret = (struct setting_value){.given = strcmp(text, "null") != 0, .choice = -1};
    if (text[0] == '"')
        for (int i = 0; setting->choices[i]; i++)
            if (strncmp(text + 1, setting->choices[i], strlen(setting->choices[i])) == 0)
                ret->choice = i;
    if (ret->given && ret->choice < 0)
        ret->number = strtod(text, NULL);
}

/** The defaults of a signal but for its form. */
static inline struct settings rendering_settings(const struct signal *signal, int rate_hz,
                                                 int bits, int channels,
                                                 double duration_s)
{
    struct settings settings = {.description = &signal->description};
    for (int i = 0; i < signal->description.setting_count; i++)
        rendering_default(&signal->description.settings[i], &settings.values[i]);
    settings.values[PARAMETER_SAMPLE_RATE_HZ].number = rate_hz;
    settings.values[PARAMETER_BITS].number = bits;
    settings.values[PARAMETER_CHANNELS].number = channels;
    settings.values[PARAMETER_DURATION_S].number = duration_s;
    return settings;
}

static inline void rendering_give(struct settings *settings, int index, double number)
{
    settings->values[index] =
        (struct setting_value){.given = true, .choice = -1, .number = number};
}

/** All frames, interleaved, asked for in blocks; free with free. */
static inline int32_t *rendering_whole(const struct signal *signal,
                                       const struct settings *settings, int64_t block)
{
    struct signal_form form = signal_form(settings);
    struct problem problem = {0};
    struct signal_stream *stream = NULL;
    if (!signal->begin(settings, &stream, &problem))
        fail_msg("%s: %s", signal->description.name, problem.detail);
    int32_t *samples = calloc((size_t)(form.frames * form.channels), sizeof *samples);
    assert_non_null(samples);
    for (int64_t done = 0; done < form.frames; done += block) {
        int64_t count = form.frames - done < block ? form.frames - done : block;
        signal->next(stream, samples + done * form.channels, count);
    }
    signal->end(stream);
    return samples;
}

/** begin must refuse, blaming `field`, with `words` in its sentence. */
static inline void rendering_refused(const struct signal *signal,
                                     const struct settings *settings, const char *field,
                                     const char *words)
{
    struct problem problem = {0};
    struct signal_stream *stream = NULL;
    assert_false(signal->begin(settings, &stream, &problem));
    assert_int_equal(problem.kind, PROBLEM_OUT_OF_RANGE);
    assert_string_equal(problem.field, field);
    if (!strstr(problem.detail, words))
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, words);
    assert_null(stream);
}

#endif
