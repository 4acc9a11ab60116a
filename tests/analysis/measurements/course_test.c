#include "analysis/measurements/course.h"

#include <math.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

/* A made-up measurement that notes what is done with it. */
struct state {
    int channel;
    bool ready;
};

struct notes {
    int prepared, passed, reported, freed, unready, fails_at; /* −1: never */
    bool any, all_zeroed;
    double span_s;
};

static struct notes notes;

static bool prepare(const struct course_job *job, const struct course_part *part,
                    void *channel, bool *ret_ready, struct problem *problem)
{
    struct state *state = channel;
    notes.all_zeroed = notes.all_zeroed && state->channel == 0 && !state->ready;
    if (part->channel == notes.fails_at)
        return problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL, "made up");
    state->channel = part->channel;
    state->ready = *ret_ready = part->channel >= notes.unready;
    notes.span_s = (double)part->steady.frames / 48000;
    notes.prepared++;
    assert_true(part->clean.frames > part->steady.frames);
    assert_string_equal(job->request, "asked");
    return true;
}

static bool pass(const struct course_job *job, void *channels, int count,
                 const struct progress *progress, struct problem *problem)
{
    const struct state *states = channels;
    (void)job;
    (void)progress;
    (void)problem;
    for (int c = 0; c < count; c++)
        assert_int_equal(states[c].ready, states[c].channel >= notes.unready);
    notes.passed++;
    return true;
}

static bool report_all(const struct course_job *job, void *channels, int count, bool any,
                       struct problem *problem)
{
    (void)job;
    (void)channels;
    notes.reported += count;
    notes.any = any;
    return any || problem_set(problem, PROBLEM_NOT_MEASURABLE, NULL, "none");
}

static void release(void *channel)
{
    (void)channel;
    notes.freed++;
}

static bool run(const struct measurement_input *input, struct report *report,
                struct problem *problem)
{
    static const struct course course = {
        sizeof(struct state), SPANS_STEADY, prepare, pass, report_all, release};
    return course_run(&course, &(struct course_job){input, "asked", report}, problem);
}

static const struct setting_description settings[] = {MEASUREMENT_COMMON_SETTINGS};
static const struct measurement made_up = {
    .description = {.name = "made-up",
                    .settings = settings,
                    .setting_count = SETTING_COMMON_COUNT},
    .run = run,
};

static double sample(int64_t n, int channel, void *context)
{
    (void)context;
    return 0.1 * (channel + 1) * sin(2 * M_PI * synthetic_turns(997, 0, 0, 48000, n));
}

/* Three channels of 2 s; those from `unready` on can be measured. */
static bool take(int unready, int fails_at, struct problem *problem)
{
    struct synthetic synthetic = {48000, 3, 2, 0, sample, NULL};
    int descriptor = synthetic_recording(&synthetic);
    notes = (struct notes){.unready = unready, .fails_at = fails_at, .all_zeroed = true};
    struct report *report = synthetic_measure(&made_up, descriptor, NULL, problem);
    bool good = report != NULL;
    report_free(report);
    close(descriptor);
    assert_true(notes.all_zeroed);
    assert_int_equal(notes.freed, 3);
    return good;
}

static void every_channel_is_prepared_passed_and_reported(void **state)
{
    struct problem problem = {0};
    (void)state;
    assert_true(take(1, -1, &problem));
    assert_int_equal(notes.prepared, 3);
    assert_int_equal(notes.passed, 1);
    assert_int_equal(notes.reported, 3);
    assert_true(notes.any);
    assert_close(notes.span_s, 1.9, 1e-9); /* less 50 ms at each end */
}

static void nothing_ready_is_not_passed_but_reported(void **state)
{
    struct problem problem = {0};
    (void)state;
    assert_false(take(3, -1, &problem));
    assert_int_equal(notes.passed, 0);
    assert_int_equal(notes.reported, 3);
    assert_false(notes.any);
    assert_string_equal(problem.detail, "none");
}

static void problem_while_preparing_ends_it(void **state)
{
    struct problem problem = {0};
    (void)state;
    assert_false(take(0, 1, &problem));
    assert_int_equal(notes.prepared, 1);
    assert_int_equal(notes.passed + notes.reported, 0);
    assert_string_equal(problem.detail, "made up");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_channel_is_prepared_passed_and_reported),
        cmocka_unit_test(nothing_ready_is_not_passed_but_reported),
        cmocka_unit_test(problem_while_preparing_ends_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
