#include "analysis/measurements/segments.h"

#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

/* The rule: the largest power of two with 8 half-overlapping segments (4.5 lengths), a
 * bin of 0.65 to 3 Hz, and a main lobe of 7 bins below a third of the lowest tone. */
static void lengths_follow_the_rule(void **state)
{
    static const struct {
        int64_t frames;
        int sample_rate_hz;
        double lowest_hz;
        int length;
    } rows[] = {
        {475200, 48000, 997, 65536},     /* 0.73 Hz; twice would be 0.37 */
        {10000000, 48000, 997, 65536},   /* longer gives more segments, not finer bins */
        {294912, 48000, 997, 65536},     /* 4.5 lengths exactly */
        {294911, 48000, 997, 32768},     /* one sample short of it */
        {43200, 48000, 997, 16384},      /* 3 Hz is the coarsest */
        {43200, 48000, 20, 0},           /* 20 Hz needs 65536 samples */
        {70000, 48000, 20, 65536},       /* and takes them */
        {16383, 48000, 997, 0},          /* not one segment */
        {436590, 44100, 997, 65536},     /* 0.673 Hz */
        {7603200, 768000, 997, 1048576}, /* 0.73 Hz */
        {690000, 768000, 997, 262144},   /* 0.9 s */
        {37000, 8000, 997, 8192},        /* 0.98 Hz; twice would be 0.49 */
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_int_equal(
            segments_length(rows[i].frames, rows[i].sample_rate_hz, rows[i].lowest_hz),
            rows[i].length);
}

static double ramp(int64_t n, int channel, void *context)
{
    (void)context;
    return ((double)n + 0.25 * channel) / 0x1p20; /* exact */
}

struct seen {
    const struct segment_plan *plans;
    int64_t next[3];
    int stop_at;
    int told;
};

static bool check(int plan, int64_t index, const double *samples, void *context,
                  struct problem *problem)
{
    struct seen *seen = context;
    const struct segment_plan *of = &seen->plans[plan];
    assert_int_equal(index, seen->next[plan]++);
    int64_t first = of->first_frame + index * of->hop;
    for (int n = 0; n < of->length; n++)
        assert_true(samples[n] == ramp(first + n, of->channel, NULL));
    if (++seen->told == seen->stop_at)
        return problem_set(problem, PROBLEM_IO, NULL, "stopped");
    return true;
}

/* Naive oracle: every sample of every segment is known. */
static void segments_hold_the_right_samples(void **state)
{
    const struct segment_plan plans[] = {
        {0, 0, 4096, 2048, 20}, {2, 12345, 16384, 8192, 5}, {1, 50000, 1024, 512, 1}};
    struct seen seen = {.plans = plans};
    struct synthetic synthetic = {48000, 3, 2, 0, ramp, NULL};
    struct capture *capture = NULL;
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_true(capture_open(descriptor, &capture, NULL));
    assert_true(segments_feed(capture, plans, 3, check, &seen, NULL, NULL));
    for (int i = 0; i < 3; i++)
        assert_int_equal(seen.next[i], plans[i].count);
    memset(&seen, 0, sizeof seen);
    seen.plans = plans;
    seen.stop_at = 3;
    struct problem problem = {0};
    assert_false(segments_feed(capture, plans, 3, check, &seen, NULL, &problem));
    assert_string_equal(problem.detail, "stopped");
    assert_int_equal(seen.told, 3);
    capture_close(capture);
    close(descriptor);
}

static void a_plan_beyond_the_end_is_told(void **state)
{
    const struct segment_plan plans[] = {{0, 90000, 8192, 4096, 1}};
    struct seen seen = {.plans = plans};
    struct synthetic synthetic = {48000, 1, 2, 0, ramp, NULL};
    struct capture *capture = NULL;
    struct problem problem = {0};
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_true(capture_open(descriptor, &capture, NULL));
    assert_false(segments_feed(capture, plans, 1, check, &seen, NULL, &problem));
    assert_int_equal(problem.kind, PROBLEM_IO);
    capture_close(capture);
    close(descriptor);
}

static void plan_has_as_many_segments_as_the_part_holds(void **state)
{
    (void)state;
    struct segment_plan plan = segments_over(3, 100, 4999, 1000, 500);
    assert_int_equal(plan.channel, 3);
    assert_int_equal(plan.first_frame, 100);
    assert_int_equal(plan.count, 8); /* the last ends at 4500; one more would at 5000 */
    assert_int_equal(segments_over(0, 0, 1000, 1000, 250).count, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(plan_has_as_many_segments_as_the_part_holds),
        cmocka_unit_test(lengths_follow_the_rule),
        cmocka_unit_test(segments_hold_the_right_samples),
        cmocka_unit_test(a_plan_beyond_the_end_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
