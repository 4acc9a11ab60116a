#include "analysis/health/breaks_render.h"

#include <math.h>
#include <stddef.h>
#include <stdlib.h>

enum { PAGE = 256, PAGES = 64 };

struct breaks_render {
    const struct signal *signal;
    const struct settings *parameters;
    struct signal_form form;
    double step; /* of one, in full scale */
    struct signal_stream *stream;
    int64_t next;         /* frame that the stream renders next */
    int64_t pages[PAGES]; /* which one is kept in each place; −1: none */
    int32_t *samples;     /* [PAGES][PAGE · channels] */
};

struct breaks_render *breaks_render_new(const struct signal *signal,
                                        const struct settings *parameters,
                                        struct problem *problem)
{
    struct breaks_render *render = calloc(1, sizeof *render);
    if (!render)
        goto no_memory;
    render->signal = signal;
    render->parameters = parameters;
    render->form = signal_form(parameters);
    render->step = ldexp(1, 1 - render->form.bits);
    for (int i = 0; i < PAGES; i++)
        render->pages[i] = -1;
    render->samples =
        malloc(sizeof *render->samples * PAGES * PAGE * (size_t)render->form.channels);
    if (!render->samples)
        goto no_memory;
    if (signal->begin(parameters, &render->stream, problem))
        return render;
    breaks_render_free(render);
    return NULL;
no_memory:
    breaks_render_free(render);
    problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                "Not enough memory to render the signal; try again.");
    return NULL;
}

void breaks_render_free(struct breaks_render *render)
{
    if (!render)
        return;
    if (render->stream)
        render->signal->end(render->stream);
    free(render->samples);
    free(render);
}

int64_t breaks_render_frames(const struct breaks_render *render)
{
    return render->form.frames;
}

int breaks_render_channel(const struct breaks_render *render, int channel)
{
    if (render->form.channels == 1)
        return 0;
    return channel < render->form.channels ? channel : -1;
}

/* Makes `frame` the next one, from the beginning again where it lies behind. */
static bool go_to(struct breaks_render *render, int64_t frame, struct problem *problem)
{
    if (frame < render->next || !render->stream) {
        if (render->stream)
            render->signal->end(render->stream);
        render->stream = NULL;
        render->next = 0;
        if (!render->signal->begin(render->parameters, &render->stream, problem))
            return false;
    }
    render->signal->pass_over(render->stream, frame - render->next);
    render->next = frame;
    return true;
}

/* Lends a page of interleaved samples. */
static bool lend(struct breaks_render *render, int64_t page, const int32_t **ret,
                 struct problem *problem)
{
    int place = (int)(page % PAGES);
    int32_t *samples = render->samples + (ptrdiff_t)place * PAGE * render->form.channels;
    *ret = samples;
    if (render->pages[place] == page)
        return true;
    if (!go_to(render, page * PAGE, problem))
        return false;
    render->signal->next(render->stream, samples, PAGE);
    render->next += PAGE;
    render->pages[place] = page;
    return true;
}

bool breaks_render_take(struct breaks_render *render, int channel, int64_t first,
                        int count, double *ret, struct problem *problem)
{
    int channels = render->form.channels;
    const int32_t *samples = NULL;
    int64_t lent = -1;
    for (int n = 0; n < count; n++) {
        int64_t frame = first + n;
        ret[n] = 0;
        if (frame < 0 || frame >= render->form.frames)
            continue;
        if (frame / PAGE != lent) {
            lent = frame / PAGE;
            if (!lend(render, lent, &samples, problem))
                return false;
        }
        ret[n] = render->step * samples[frame % PAGE * channels + channel];
    }
    return true;
}
