/* Orders follow from the rule in queue.h: round robin over testers, oldest first within
 * one. */
#include "server/queue/schedule.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/support.h"

static void add(struct schedule *schedule, const char *tester, const char *id)
{
    struct store_analysis analysis = {.tester = (char *)tester,
                                      .measurement = (char *)"distortion",
                                      .settings = (char *)"{}"};
    snprintf(analysis.id, sizeof analysis.id, "%s", id);
    struct job *job = schedule_job_new(&analysis);
    assert_non_null(job);
    assert_true(schedule_add(schedule, job));
}

static void the_oldest_is_told_whoever_is_served_next(void **state)
{
    (void)state;
    static const struct {
        const char *tester, *id;
        int64_t created_ms;
    } jobs[] = {{"a", "a1", 300}, {"a", "a2", 500}, {"b", "b1", 200}};
    struct schedule *schedule = schedule_new();
    assert_true(schedule_oldest_ms(schedule) == 0);
    for (size_t i = 0; i < sizeof jobs / sizeof jobs[0]; i++) {
        add(schedule, jobs[i].tester, jobs[i].id);
        schedule_find(schedule, jobs[i].id)->analysis.created_ms = jobs[i].created_ms;
    }
    static const int64_t want[] = {200, 200, 500, 0}; /* taken: a1, b1, a2 */
    for (int i = 0; i < 4; i++) {
        assert_true(schedule_oldest_ms(schedule) == want[i]);
        schedule_take(schedule);
    }
    schedule_free(schedule);
}

/** Takes and removes every job; fills the order of their ids with a space after each. */
static void drain(struct schedule *schedule, char *order, size_t size)
{
    size_t used = 0;
    struct job *job;
    order[0] = '\0';
    while ((job = schedule_take(schedule)) != NULL) {
        used += (size_t)snprintf(order + used, size - used, "%s ", job->analysis.id);
        assert_true(used < size);
        schedule_remove(schedule, job);
        schedule_job_free(job);
    }
}

static void one_tester_is_served_oldest_first(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    add(schedule, "unit-a", "a1");
    add(schedule, "unit-a", "a2");
    add(schedule, "unit-a", "a3");
    char order[64];
    drain(schedule, order, sizeof order);
    assert_string_equal(order, "a1 a2 a3 ");
    schedule_free(schedule);
}

static void testers_take_turns(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    for (int i = 1; i <= 4; i++) {
        char id[16];
        snprintf(id, sizeof id, "a%d", i);
        add(schedule, "a", id);
    }
    add(schedule, "b", "b1");
    add(schedule, "c", "c1");
    add(schedule, "c", "c2");
    char order[64];
    drain(schedule, order, sizeof order);
    assert_string_equal(order, "a1 b1 c1 a2 c2 a3 a4 ");
    schedule_free(schedule);
}

static void a_newcomer_waits_one_round_at_most(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    for (int i = 0; i < 1000; i++) {
        char id[16];
        snprintf(id, sizeof id, "a%d", i);
        add(schedule, "a", id);
    }
    add(schedule, "b", "b1");
    struct job *first = schedule_take(schedule), *second = schedule_take(schedule);
    assert_string_equal(first->analysis.id, "a0");
    assert_string_equal(second->analysis.id, "b1");
    schedule_free(schedule);
}

static void jobs_are_found_until_they_are_removed(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    add(schedule, "a", "a1");
    add(schedule, "b", "b1");
    assert_int_equal(schedule_waiting(schedule, false), 2);
    struct job *job = schedule_take(schedule);
    assert_true(job->running);
    assert_ptr_equal(schedule_find(schedule, "a1"), job);
    assert_non_null(schedule_find(schedule, "b1"));
    assert_null(schedule_find(schedule, "c1"));
    assert_int_equal(schedule_waiting(schedule, false), 1);
    assert_int_equal(schedule_running(schedule, false), 1);
    schedule_remove(schedule, job);
    schedule_job_free(job);
    assert_null(schedule_find(schedule, "a1"));
    assert_int_equal(schedule_running(schedule, false), 0);
    schedule_free(schedule);
}

static void one_that_waits_is_withdrawn(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    static const char *const ids[] = {"a1", "a2", "a3", "b1", "c1", "c2"};
    for (int i = 0; i < 6; i++)
        add(schedule, ids[i][0] == 'a' ? "a" : ids[i][0] == 'b' ? "b" : "c", ids[i]);
    /* the last of a, the only one of b, the first of c */
    static const char *const gone[] = {"a3", "b1", "c1"};
    for (int i = 0; i < 3; i++) {
        struct job *job = schedule_find(schedule, gone[i]);
        schedule_remove(schedule, job);
        schedule_job_free(job);
        assert_null(schedule_find(schedule, gone[i]));
    }
    assert_int_equal(schedule_waiting(schedule, false), 3);
    assert_int_equal(schedule_running(schedule, false), 0);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "a2")), 3);
    add(schedule, "a", "a4");
    add(schedule, "b", "b2");
    char order[64];
    drain(schedule, order, sizeof order);
    assert_string_equal(order, "a1 c2 b2 a2 a4 ");
    schedule_free(schedule);
}

static void add_health(struct schedule *schedule, const char *tester, const char *id)
{
    struct store_capture capture = {.tester = (char *)tester};
    snprintf(capture.id, sizeof capture.id, "%s", id);
    struct job *job = schedule_health_new(&capture);
    assert_non_null(job);
    assert_true(schedule_add(schedule, job));
}

static void add_of(struct schedule *schedule, const char *tester, const char *id,
                   const char *capture, const char *floor)
{
    add(schedule, tester, id);
    struct job *job = schedule_find(schedule, id);
    snprintf(job->analysis.capture, sizeof job->analysis.capture, "%s", capture);
    snprintf(job->analysis.floor_capture, sizeof job->analysis.floor_capture, "%s",
             floor);
}

static void take(struct schedule *schedule, const char *want)
{
    struct job *job = schedule_take(schedule);
    assert_non_null(job);
    assert_string_equal(job->analysis.id, want);
}

static void end(struct schedule *schedule, const char *id)
{
    struct job *job = schedule_find(schedule, id);
    schedule_remove(schedule, job);
    schedule_job_free(job);
}

static void health_goes_first_and_testers_take_turns(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    add(schedule, "a", "a1");
    add(schedule, "b", "b1");
    add_health(schedule, "a", "cap1");
    add_health(schedule, "a", "cap2");
    add_health(schedule, "b", "cap3");
    assert_int_equal(schedule_waiting(schedule, false), 2);
    assert_int_equal(schedule_waiting(schedule, true), 3);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "cap2")), 3);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "a1")), 4);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "b1")), 5);
    char order[64];
    drain(schedule, order, sizeof order);
    assert_string_equal(order, "cap1 cap3 cap2 a1 b1 ");
    schedule_free(schedule);
}

static void an_analysis_is_passed_over_until_its_health_has_ended(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    add_of(schedule, "a", "a1", "cap1", "");
    add_of(schedule, "a", "a2", "cap2", "cap1");
    add_of(schedule, "a", "a3", "cap2", "");
    add_of(schedule, "b", "b1", "cap1", "");
    add_of(schedule, "b", "b2", "cap3", "cap4");
    add_health(schedule, "a", "cap1");
    take(schedule, "cap1");
    take(schedule, "a3"); /* a1 and a2 need cap1 */
    take(schedule, "b2"); /* so does b1 */
    assert_null(schedule_take(schedule));
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "a1")), 1);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "b1")), 2);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "a2")), 3);
    end(schedule, "cap1");
    take(schedule, "a1");
    take(schedule, "b1");
    take(schedule, "a2");
    assert_null(schedule_take(schedule));
    schedule_free(schedule);
}

static void one_that_was_taken_too_early_is_first_again(void **state)
{
    (void)state;
    struct schedule *schedule = schedule_new();
    static const char *const ids[] = {"a1", "a2", "b1"};
    for (int i = 0; i < 3; i++)
        add(schedule, ids[i][0] == 'a' ? "a" : "b", ids[i]);
    take(schedule, "a1");
    assert_true(schedule_return(schedule, schedule_find(schedule, "a1")));
    assert_false(schedule_find(schedule, "a1")->running);
    assert_int_equal(schedule_running(schedule, false), 0);
    assert_int_equal(schedule_waiting(schedule, false), 3);
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "a2")), 3);
    take(schedule, "b1"); /* the last of its tester's */
    assert_true(schedule_return(schedule, schedule_find(schedule, "b1")));
    add(schedule, "b", "b2");
    assert_int_equal(schedule_position(schedule, schedule_find(schedule, "b2")), 4);
    char order[64];
    drain(schedule, order, sizeof order);
    assert_string_equal(order, "a1 b1 a2 b2 ");
    schedule_free(schedule);
}

static void count_one(struct job *job, void *context)
{
    (void)job;
    ++*(int *)context;
}

/* The naive oracle: the position is the turn in which the job is really taken. */
static void positions_are_the_turns(void **state)
{
    (void)state;
    enum { JOBS = 200, TESTERS = 7 };
    uint64_t seed = 20261125;
    print_message("seed %llu\n", (unsigned long long)seed);
    struct support_random random = support_random_seed(seed);
    for (int round = 0; round < 20; round++) {
        struct schedule *schedule = schedule_new();
        char ids[JOBS][16];
        int claimed[JOBS], taken[JOBS], turn = 0, withdrawn = 0;
        for (int i = 0; i < JOBS; i++) {
            char tester[16];
            /* uneven: the square favours the first testers */
            double u = support_uniform(&random);
            snprintf(tester, sizeof tester, "t%d", (int)(u * u * TESTERS));
            snprintf(ids[i], sizeof ids[i], "j%d", i);
            add(schedule, tester, ids[i]);
            /* some are served in between, so that the round does not begin with t0 */
            taken[i] = -1;
            if (i % 5 == 4) {
                struct job *job = schedule_take(schedule);
                taken[atoi(job->analysis.id + 1)] = 0;
            }
            /* and some are withdrawn */
            int victim = (int)(support_uniform(&random) * (i + 1));
            struct job *waiting = schedule_find(schedule, ids[victim]);
            if (i % 7 == 6 && waiting != NULL && !waiting->running) {
                schedule_remove(schedule, waiting);
                schedule_job_free(waiting);
                taken[victim] = 0;
                withdrawn++;
            }
        }
        for (int i = 0; i < JOBS; i++)
            claimed[i] =
                taken[i] == 0
                    ? 0
                    : schedule_position(schedule, schedule_find(schedule, ids[i]));
        struct job *job;
        while ((job = schedule_take(schedule)) != NULL)
            taken[atoi(job->analysis.id + 1)] = ++turn;
        for (int i = 0; i < JOBS; i++)
            assert_int_equal(claimed[i], taken[i]);
        int count = 0;
        schedule_each(schedule, count_one, &count);
        assert_true(withdrawn > 10);
        assert_int_equal(count, JOBS - withdrawn);
        assert_int_equal(schedule_running(schedule, false), JOBS - withdrawn);
        schedule_free(schedule);
    }
}

static void a_job_owns_its_texts(void **state)
{
    (void)state;
    char tester[] = "desk", measurement[] = "distortion", settings[] = "{}",
         signal[] = "{}", problem[] = "{}";
    struct store_analysis analysis = {.tester = tester,
                                      .measurement = measurement,
                                      .settings = settings,
                                      .signal = signal,
                                      .problem = problem};
    struct job *job = schedule_job_new(&analysis);
    tester[0] = measurement[0] = settings[0] = signal[0] = problem[0] = '!';
    assert_string_equal(job->analysis.tester, "desk");
    assert_string_equal(job->analysis.measurement, "distortion");
    assert_string_equal(job->analysis.settings, "{}");
    assert_string_equal(job->analysis.signal, "{}");
    assert_string_equal(job->analysis.problem, "{}");
    schedule_job_free(job);
    schedule_job_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_tester_is_served_oldest_first),
        cmocka_unit_test(testers_take_turns),
        cmocka_unit_test(the_oldest_is_told_whoever_is_served_next),
        cmocka_unit_test(a_newcomer_waits_one_round_at_most),
        cmocka_unit_test(jobs_are_found_until_they_are_removed),
        cmocka_unit_test(one_that_waits_is_withdrawn),
        cmocka_unit_test(health_goes_first_and_testers_take_turns),
        cmocka_unit_test(an_analysis_is_passed_over_until_its_health_has_ended),
        cmocka_unit_test(one_that_was_taken_too_early_is_first_again),
        cmocka_unit_test(positions_are_the_turns),
        cmocka_unit_test(a_job_owns_its_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
