/* Health and quarantine in the rows: expected as store.h promises. */
#include "server/store/store.h"

#include <limits.h>
#include <stdlib.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

static const char tone[] = "{\"name\":\"tone\",\"parameters\":{}}";
static const char noise[] = "{\"name\":\"noise\",\"parameters\":{}}";
static const char failure[] = "{\"code\":\"not_finite\"}";

static int open_store(void **state)
{
    char folder[PATH_MAX];
    struct store *store = NULL;
    support_temporary_folder(folder);
    bool opened = store_open(folder, &store, NULL);
    *state = store;
    return opened ? 0 : -1;
}

static int close_store(void **state)
{
    store_close(*state);
    return 0;
}

/** Capture number n with `count` analyses of it, in one. */
static struct store_capture add(struct store *store, int n, const char *signal, int count)
{
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(n);
    struct store_analysis analyses[4];
    capture.signal = (char *)signal;
    for (int i = 0; i < count; i++) {
        analyses[i] = rows_analysis(10 * n + i, n);
        analyses[i].created_ms = capture.received_ms;
    }
    const struct store_upload upload = {&capture, analyses, count};
    if (!store_capture_add(store, &upload, &problem))
        fail_msg("%s", problem.detail);
    return capture;
}

static struct store_capture get(struct store *store, const char *id)
{
    struct store_capture capture;
    assert_true(store_capture_get(store, id, &capture, NULL));
    return capture;
}

static struct store_health_end done(const struct store_capture *capture)
{
    return (struct store_health_end){
        .id = capture->id,
        .signal = capture->signal,
        .health = {.state = STORE_DONE,
                   .attempts = 1,
                   .report = (char *)"{\"channels\":[],\"warnings\":[]}",
                   .suggested = (char *)"[]"},
        .format = "{\"container\":\"flac\"}"};
}

static struct store_health_end failed(const struct store_capture *capture)
{
    return (struct store_health_end){
        .id = capture->id,
        .signal = capture->signal,
        .health = {.state = STORE_FAILED, .problem = (char *)failure}};
}

static void an_end_is_kept_whole(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, tone, 0), got;
    struct store_health_end end = done(&capture);
    assert_true(store_health_attempt(*state, capture.id, 1, &problem));
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_QUEUED);
    assert_int_equal(got.health.attempts, 1);
    store_capture_free(&got);
    assert_true(store_health_finish(*state, &end, &problem));
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_DONE);
    assert_int_equal(got.health.attempts, 1);
    assert_string_equal(got.health.report, end.health.report);
    assert_string_equal(got.health.suggested, "[]");
    assert_null(got.health.problem);
    assert_string_equal(got.format, "{\"container\":\"flac\"}");
    assert_string_equal(got.signal, tone);
    assert_false(got.quarantined);
    store_capture_free(&got);
}

static void a_failure_leaves_the_format(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, NULL, 0), got;
    struct store_health_end end = failed(&capture);
    assert_true(store_health_finish(*state, &end, &problem));
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_FAILED);
    assert_string_equal(got.health.problem, failure);
    assert_string_equal(got.format, capture.format);
    assert_null(got.health.report);
    assert_false(got.quarantined);
    store_capture_free(&got);
}

static void the_first_end_stays(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, NULL, 0), got;
    struct store_health_end first = failed(&capture), second = done(&capture);
    assert_true(store_health_finish(*state, &first, &problem));
    assert_false(store_health_finish(*state, &second, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    problem = (struct server_problem){0};
    assert_false(store_health_attempt(*state, capture.id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_FAILED);
    store_capture_free(&got);
}

static void one_that_was_removed_is_not_found(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, NULL, 0);
    struct store_removed removed;
    assert_true(store_capture_remove(*state, capture.id, &removed, &problem));
    store_removed_free(&removed);
    struct store_health_end end = done(&capture);
    assert_false(store_health_finish(*state, &end, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    problem = (struct server_problem){0};
    assert_false(store_health_attempt(*state, capture.id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
}

static void change(struct store *store, const char *id, struct store_capture_change parts)
{
    struct server_problem problem = {0};
    parts.pinned = -1;
    if (!store_capture_change(store, id, &parts, &problem))
        fail_msg("%s", problem.detail);
}

/* An end found with another signal than the row has now would be a wrong one. */
static void another_signal_queues_it_again(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, tone, 0), got;
    struct store_health_end end = done(&capture);
    change(*state, capture.id,
           (struct store_capture_change){.has_signal = true, .signal = noise});
    assert_false(store_health_finish(*state, &end, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    problem = (struct server_problem){0};
    end.signal = noise;
    assert_true(store_health_finish(*state, &end, &problem));

    change(*state, capture.id, (struct store_capture_change){.name = "unit B"});
    change(*state, capture.id, /* as it was */
           (struct store_capture_change){.has_signal = true, .signal = noise});
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_DONE);
    store_capture_free(&got);
    change(*state, capture.id, (struct store_capture_change){.has_signal = true});
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_QUEUED);
    assert_int_equal(got.health.attempts, 0);
    assert_null(got.signal);
    assert_non_null(got.health.report); /* the former */
    store_capture_free(&got);
    end.signal = NULL;
    assert_true(store_health_finish(*state, &end, &problem));
}

static void a_quarantine_is_lifted(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, tone, 0), got;
    struct store_health_end end = failed(&capture);
    end.quarantined = true;
    end.health.attempts = 2;
    assert_true(store_health_finish(*state, &end, &problem));
    const struct store_capture_change signal = {
        .pinned = -1, .has_signal = true, .signal = noise};
    assert_false(store_capture_change(*state, capture.id, &signal, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_string_equal(problem.field, "signal");
    change(*state, capture.id, (struct store_capture_change){.name = "unit B"});
    got = get(*state, capture.id);
    assert_true(got.quarantined);
    assert_int_equal(got.health.state, STORE_FAILED);
    assert_string_equal(got.signal, tone);
    store_capture_free(&got);
    change(*state, capture.id, (struct store_capture_change){.lift = true});
    got = get(*state, capture.id);
    assert_false(got.quarantined);
    assert_int_equal(got.health.state, STORE_QUEUED);
    assert_int_equal(got.health.attempts, 0);
    assert_null(got.health.problem);
    store_capture_free(&got);

    /* where there is none, a failure stays what it is */
    end = failed(&capture);
    problem = (struct server_problem){0};
    assert_true(store_health_finish(*state, &end, &problem));
    change(*state, capture.id, (struct store_capture_change){.lift = true});
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_FAILED);
    assert_string_equal(got.health.problem, failure);
    store_capture_free(&got);
}

static void an_analysis_quarantines_its_capture(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, NULL, 2), got;
    struct store_health_end end = done(&capture);
    assert_true(store_health_finish(*state, &end, &problem));
    struct store_analysis killer = rows_analysis(10, 1), other = rows_analysis(11, 1);
    killer.state = STORE_FAILED;
    killer.problem = (char *)"{\"code\":\"worker_crashed\"}";
    assert_true(store_analysis_quarantine(*state, &killer, &problem));
    got = get(*state, capture.id);
    assert_true(got.quarantined);
    assert_int_equal(got.health.state, STORE_DONE);
    store_capture_free(&got);
    assert_true(store_analysis_get(*state, other.id, &other, NULL));
    assert_int_equal(other.state, STORE_QUEUED);
    store_analysis_free(&other);
    change(*state, capture.id, (struct store_capture_change){.lift = true});
    got = get(*state, capture.id);
    assert_int_equal(got.health.state, STORE_DONE); /* nothing was wrong with it */
    store_capture_free(&got);
}

struct seen {
    char ids[8][ID_BYTES];
    int count;
};

static void see_capture(const struct store_capture *capture, void *context)
{
    struct seen *seen = context;
    memcpy(seen->ids[seen->count++], capture->id, ID_BYTES);
}

static void see_analysis(const struct store_analysis *analysis, void *context)
{
    struct seen *seen = context;
    memcpy(seen->ids[seen->count++], analysis->id, ID_BYTES);
}

static void those_queued_are_visited_oldest_first(void **state)
{
    struct server_problem problem = {0};
    struct store_capture first = add(*state, 3, NULL, 0),
                         second = add(*state, 1, NULL, 0),
                         third = add(*state, 2, NULL, 0);
    struct store_health_end end = done(&second);
    assert_true(store_health_finish(*state, &end, &problem));
    struct seen seen = {0};
    assert_true(store_each_unwell(*state, see_capture, &seen, &problem));
    assert_int_equal(seen.count, 2);
    assert_string_equal(seen.ids[0], first.id);
    assert_string_equal(seen.ids[1], third.id);
}

static void analyses_ordered_with_a_capture_are_told_from_later_ones(void **state)
{
    struct server_problem problem = {0};
    struct store_capture capture = add(*state, 1, NULL, 3);
    (void)add(*state, 2, NULL, 1);
    struct store_analysis later = rows_analysis(19, 1); /* created a second later */
    assert_true(store_analysis_add(*state, &later, &problem));
    struct seen seen = {0};
    assert_true(store_each_ordered(*state, &capture, see_analysis, &seen, &problem));
    assert_int_equal(seen.count, 3);
    for (int i = 0; i < 3; i++) {
        struct store_analysis want = rows_analysis(10 + i, 1);
        assert_string_equal(seen.ids[i], want.id);
    }
}

static void an_upload_is_added_whole_or_not_at_all(void **state)
{
    struct server_problem problem = {0};
    struct store_capture taken = add(*state, 1, NULL, 1), capture = rows_capture(2), got;
    struct store_analysis analyses[] = {rows_analysis(20, 2), rows_analysis(10, 2)};
    const struct store_upload upload = {&capture, analyses, 2}; /* the last id is taken */
    assert_false(store_capture_add(*state, &upload, &problem));
    assert_false(store_capture_get(*state, capture.id, &got, NULL));
    struct store_analysis analysis;
    assert_false(store_analysis_get(*state, analyses[0].id, &analysis, NULL));
    got = get(*state, taken.id);
    store_capture_free(&got);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(an_end_is_kept_whole),
        TEST(a_failure_leaves_the_format),
        TEST(the_first_end_stays),
        TEST(one_that_was_removed_is_not_found),
        TEST(another_signal_queues_it_again),
        TEST(a_quarantine_is_lifted),
        TEST(an_analysis_quarantines_its_capture),
        TEST(those_queued_are_visited_oldest_first),
        TEST(analyses_ordered_with_a_capture_are_told_from_later_ones),
        TEST(an_upload_is_added_whole_or_not_at_all),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
