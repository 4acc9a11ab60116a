#include "analysis/measurements/course.h"

#include <stdlib.h>

static const double first_look = 0.3; /* share of the progress */

/* Prepares all channels; *ret_any: at least one is ready. */
static bool prepare(const struct course *course, const struct course_job *job,
                    char *channels, bool *ret_any, struct problem *problem)
{
    struct steady_span steady[CAPTURE_MAX_CHANNELS], clean[CAPTURE_MAX_CHANNELS];
    struct progress_share share = {job->input->progress, 0, first_look};
    struct progress looking = {progress_tell_share, &share};
    if (!spans_find(job->input, course->how, &looking, steady, clean, problem))
        return false;
    *ret_any = false;
    for (int c = 0; c < job->report->channel_count; c++) {
        int number = job->report->channels[c].channel - 1;
        struct course_part part = {number, steady[number], clean[number]};
        bool ready = false;
        if (!course->prepare(job, &part, channels + (size_t)c * course->channel_bytes,
                             &ready, problem))
            return false;
        *ret_any = *ret_any || ready;
    }
    return true;
}

bool course_run(const struct course *course, const struct course_job *job,
                struct problem *problem)
{
    int count = job->report->channel_count;
    struct progress_share share = {job->input->progress, first_look, 1};
    struct progress passing = {progress_tell_share, &share};
    bool any = false;
    char *channels = calloc((size_t)count, course->channel_bytes);
    if (!channels)
        return problem_set(problem, PROBLEM_OUT_OF_MEMORY, NULL,
                           "No memory for %d channels.", count);
    bool done = prepare(course, job, channels, &any, problem) &&
                (!any || course->pass(job, channels, count, &passing, problem)) &&
                course->report(job, channels, count, any, problem);
    for (int c = 0; c < count; c++)
        course->free(channels + (size_t)c * course->channel_bytes);
    free(channels);
    return done;
}
