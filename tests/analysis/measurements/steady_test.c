#include "analysis/measurements/steady.h"

#include <math.h>
#include <unistd.h>

#include "tests/support/support.h"
#include "tests/support/synthetic.h"

/* A plan of levels: what sounds from when on, in dBFS; below −200 nothing. */
struct plan {
    struct {
        double from_s, dbfs;
    } steps[6];
    int count;
    double dc;
};

static double sample(int64_t n, int channel, void *context)
{
    const struct plan *plan = context;
    double s = (double)n / 48000, amplitude = 0;
    for (int i = 0; i < plan->count; i++)
        if (s >= plan->steps[i].from_s)
            amplitude =
                plan->steps[i].dbfs < -200 ? 0 : pow(10, plan->steps[i].dbfs / 20);
    return plan->dc + (channel ? 0.5 : 1) * amplitude *
                          sin(2 * M_PI * synthetic_turns(997, 0, 0, 48000, n));
}

static void look(struct plan *plan, double duration_s, struct steady_span spans[2],
                 struct steady_span *wholes)
{
    struct synthetic synthetic = {48000, 2, duration_s, 0, sample, plan};
    struct capture *capture = NULL;
    int64_t frames = 0;
    int descriptor = synthetic_recording(&synthetic);
    assert_true(capture_open(descriptor, &capture, NULL));
    assert_true(steady_find(capture,
                            &(struct steady_request){.frames = -1, .wholes = wholes},
                            spans, &frames, NULL));
    assert_int_equal(frames, llround(duration_s * 48000));
    capture_close(capture);
    close(descriptor);
}

static void find(struct plan *plan, double duration_s, struct steady_span spans[2])
{
    look(plan, duration_s, spans, NULL);
}

static void all_of_it_is_taken_where_that_is_asked(void **state)
{
    (void)state;
    struct plan plan = {{{0, -10}, {1, -30}, {1.2, -70}}, 3, 0.25};
    struct steady_span steady[2], spans[2];
    look(&plan, 2.02, steady, spans); /* whole blocks of 50 ms */
    assert_int_equal(spans[1].first_frame, 0);
    assert_int_equal(spans[1].frames, 2 * 48000);
    assert_close(spans[1].dc, 0.25, 1e-4);
    assert_false(spans[1].silent);
    plan = (struct plan){{{0, -300}}, 1, 0.25};
    look(&plan, 2, steady, spans);
    assert_true(spans[0].silent);
}

/* Of a channel that muted itself, of one that was played late, the part that sounds; what
 * is silent for less than half a second stays in it. Both parts come of one reading. */
static void long_silence_is_no_part_of_all_of_it(void **state)
{
    static const struct {
        struct plan plan;
        double start_s, end_s;
    } rows[] = {
        {{{{0, -80}, {2.52, -300}}, 2, 0}, 0, 2.5},
        {{{{0, -300}, {1.52, -80}}, 2, 0}, 1.55, 4},
        {{{{0, -80}, {1, -300}, {1.7, -80}}, 3, 0}, 1.75, 4},
        {{{{0, -80}, {1, -300}, {1.4, -80}}, 3, 0}, 0, 4},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct plan plan = rows[i].plan;
        struct steady_span steady[2], wholes[2];
        struct synthetic synthetic = {48000, 2, 4, 0, sample, &plan};
        struct capture *capture = NULL;
        int64_t frames = 0;
        int descriptor = synthetic_recording(&synthetic);
        assert_true(capture_open(descriptor, &capture, NULL));
        assert_true(steady_find(capture,
                                &(struct steady_request){.frames = -1, .wholes = wholes},
                                steady, &frames, NULL));
        capture_close(capture);
        close(descriptor);
        assert_close((double)wholes[0].first_frame / 48000, rows[i].start_s, 0.0501);
        assert_close((double)(wholes[0].first_frame + wholes[0].frames) / 48000,
                     rows[i].end_s, 0.0501);
        assert_true(steady[0].frames > 0 && steady[0].frames < wholes[0].frames);
    }
}

/* Each row: the steps and where the steady part must lie, to a block. */
static void the_steady_part_lies_where_it_must(void **state)
{
    static const struct {
        const char *name;
        struct plan plan;
        double duration_s, start_s, end_s;
    } rows[] = {
        {"whole", {{{0, -10}}, 1, 0}, 4, 0.05, 3.95},
        {"with dc", {{{0, -60}}, 1, 0.3}, 4, 0.05, 3.95},
        {"after silence", {{{0, -300}, {3, -10}}, 2, 0}, 4, 3.05, 3.95},
        {"majority of two levels", {{{0, -10}, {1, -16}}, 2, 0}, 4, 1.05, 3.95},
        {"interrupted", {{{0, -10}, {1, -30}, {1.2, -10}}, 3, 0}, 4, 1.25, 3.95},
        {"within half a decibel", {{{0, -10}, {2, -10.4}}, 2, 0}, 4, 0.05, 3.95},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct plan plan = rows[i].plan;
        struct steady_span spans[2];
        find(&plan, rows[i].duration_s, spans);
        for (int c = 0; c < 2; c++) {
            print_message("%s, channel %d\n", rows[i].name, c + 1);
            assert_close((double)spans[c].first_frame / 48000, rows[i].start_s, 1e-9);
            assert_close((double)(spans[c].first_frame + spans[c].frames) / 48000,
                         rows[i].end_s, 1e-9);
            assert_close(spans[c].dc, plan.dc, 1e-4); /* a part of a period */
        }
    }
}

static void silence_and_direct_voltage_are_silent(void **state)
{
    struct plan silence = {{{0, -300}}, 1, 0}, direct = {{{0, -300}}, 1, 0.25};
    struct steady_span spans[2];
    (void)state;
    find(&silence, 2, spans);
    assert_true(spans[0].silent && spans[1].silent);
    find(&direct, 2, spans);
    assert_true(spans[0].silent && spans[0].frames == 0);
}

static double direct_from_a_moment_on(int64_t n, int channel, void *context)
{
    (void)channel;
    (void)context;
    return n < 14400 ? 0 : -0.006378173828125; /* 209 of 16 bits, from 0.3 s on */
}

/* Less its mean, what is left of it is rounding errors, below −600 dBFS. */
static void steady_direct_voltage_after_a_step_is_silent(void **state)
{
    struct synthetic synthetic = {48000, 1, 4, 0, direct_from_a_moment_on, NULL};
    struct steady_span span[1];
    struct capture *capture = NULL;
    int64_t frames = 0;
    int descriptor = synthetic_recording(&synthetic);
    (void)state;
    assert_true(capture_open(descriptor, &capture, NULL));
    assert_true(steady_find(capture, &(struct steady_request){.frames = -1}, span,
                            &frames, NULL));
    assert_true(span[0].silent && span[0].frames == 0);
    capture_close(capture);
    close(descriptor);
}

static void extremes_are_the_tones(void **state)
{
    struct plan plan = {{{0, -6.0206}}, 1, 0.1};
    struct steady_span spans[2];
    (void)state;
    find(&plan, 2, spans);
    assert_close(spans[0].maximum, 0.6, 1e-4);
    assert_close(spans[0].minimum, -0.4, 1e-4);
    assert_close(spans[1].maximum, 0.35, 1e-4);
    assert_close(spans[0].mean_square, 0.5 * 0.5 / 2 + 0.1 * 0.1, 1e-4);
}

/* Of a steady tone in both channels. */
static void find_within(double duration_s, const struct steady_clean clean[2],
                        struct steady_span spans[2])
{
    struct plan plan = {{{0, -10}}, 1, 0};
    struct synthetic synthetic = {48000, 2, duration_s, 0, sample, &plan};
    const struct steady_request request = {.frames = -1, .clean = clean};
    struct capture *capture = NULL;
    int64_t frames = 0;
    int descriptor = synthetic_recording(&synthetic);
    assert_true(capture_open(descriptor, &capture, NULL));
    assert_true(steady_find(capture, &request, spans, &frames, NULL));
    capture_close(capture);
    close(descriptor);
}

/* A break at 2.5 s of 4 s: the first part is the longer one. The other channel has none.
 */
static void the_steady_part_lies_within_the_clean_one(void **state)
{
    (void)state;
    const struct steady_clean clean[2] = {{1000, 119000}, {0, 192000}};
    struct steady_span spans[2];
    find_within(4, clean, spans);
    assert_int_equal(spans[0].first_frame, 4800);
    assert_int_equal(spans[0].first_frame + spans[0].frames, 117600);
    assert_int_equal(spans[1].first_frame, 2400);
    assert_int_equal(spans[1].first_frame + spans[1].frames, 189600);
}

static void nothing_clean_is_nothing_steady(void **state)
{
    (void)state;
    const struct steady_clean clean[2] = {{0, 0}, {47000, 1000}};
    struct steady_span spans[2];
    find_within(1, clean, spans);
    for (int c = 0; c < 2; c++) {
        assert_int_equal(spans[c].frames, 0);
        assert_false(spans[c].silent);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_of_it_is_taken_where_that_is_asked),
        cmocka_unit_test(long_silence_is_no_part_of_all_of_it),
        cmocka_unit_test(the_steady_part_lies_where_it_must),
        cmocka_unit_test(silence_and_direct_voltage_are_silent),
        cmocka_unit_test(steady_direct_voltage_after_a_step_is_silent),
        cmocka_unit_test(extremes_are_the_tones),
        cmocka_unit_test(the_steady_part_lies_within_the_clean_one),
        cmocka_unit_test(nothing_clean_is_nothing_steady),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
