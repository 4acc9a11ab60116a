/* Analyses: rows, transitions of the state, filters, the queue at start-up. */
#include "server/store/store.h"

#include <limits.h>
#include <stdlib.h>

#include "tests/server/store/rows.h"
#include "tests/support/support.h"

static int open_store(void **state)
{
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct server_problem problem = {0};
    if (!store_open(folder, (struct store **)state, &problem))
        return -1;
    for (int n = 1; n <= 3; n++) {
        struct store_capture capture = rows_capture(n);
        if (!store_capture_add(*state, &(struct store_upload){.capture = &capture},
                               &problem))
            return -1;
    }
    return 0;
}

static int close_store(void **state)
{
    store_close(*state);
    return 0;
}

static struct store_analysis added(struct store *store, int n, int capture)
{
    struct store_analysis analysis = rows_analysis(n, capture);
    struct server_problem problem = {0};
    assert_true(store_analysis_add(store, &analysis, &problem));
    return analysis;
}

static void finish_as(struct store *store, struct store_analysis analysis,
                      enum store_state state)
{
    struct server_problem problem = {0};
    analysis.state = state;
    analysis.started_ms = analysis.created_ms + 10;
    analysis.finished_ms = analysis.created_ms + 20;
    assert_true(store_analysis_finish(store, &analysis, &problem));
}

static void analysis_comes_back_as_it_went(void **state)
{
    struct store *store = *state;
    struct store_analysis analysis = added(store, 1, 2), got;
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_string_equal(got.id, analysis.id);
    assert_string_equal(got.capture, analysis.capture);
    assert_string_equal(got.floor_capture, "");
    assert_string_equal(got.measurement, "distortion");
    assert_string_equal(got.settings, "{\"harmonics\":5}");
    assert_string_equal(got.tester, "mina");
    assert_int_equal(got.state, STORE_QUEUED);
    assert_int_equal(got.attempts, 0);
    assert_true(got.created_ms == analysis.created_ms);
    assert_true(got.started_ms == 0 && got.finished_ms == 0);
    assert_null(got.problem);
    assert_null(got.signal);
    store_analysis_free(&got);
    assert_false(store_analysis_get(store, "ana_zzzzzzzzzzzzzzzzzzzz", &got, NULL));
}

static void signal_comes_back_in_every_way(void **state)
{
    struct store *store = *state;
    struct store_analysis analysis = rows_analysis(1, 2), got;
    struct server_problem problem = {0};
    analysis.signal = (char *)"{\"name\":\"tone\",\"parameters\":{}}";
    assert_true(store_analysis_add(store, &analysis, &problem));
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_string_equal(got.signal, analysis.signal);
    assert_string_equal(got.floor_capture, "");
    store_analysis_free(&got);
    struct store_analysis_page page;
    struct store_query query = {.state = -1, .limit = 1};
    assert_true(store_analysis_list(store, &query, &page, &problem));
    assert_string_equal(page.items[0].signal, analysis.signal);
    store_analysis_page_free(&page);
}

static void analysis_of_no_capture_is_refused(void **state)
{
    struct store_analysis analysis = rows_analysis(1, 999), got;
    struct server_problem problem = {0};
    assert_false(store_analysis_add(*state, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_string_equal(problem.field, "capture");
    assert_non_null(strstr(problem.detail, analysis.capture));
    assert_false(store_analysis_get(*state, analysis.id, &got, NULL));
}

static void floor_capture_comes_back_in_every_way(void **state)
{
    struct store *store = *state;
    struct store_analysis analysis = rows_analysis(1, 2), got;
    struct server_problem problem = {0};
    rows_id("cap", 3, analysis.floor_capture);
    assert_true(store_analysis_add(store, &analysis, &problem));
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_string_equal(got.capture, analysis.capture);
    assert_string_equal(got.floor_capture, analysis.floor_capture);
    store_analysis_free(&got);
    struct store_analysis_page page;
    struct store_query query = {.state = -1, .limit = 1};
    assert_true(store_analysis_list(store, &query, &page, &problem));
    assert_string_equal(page.items[0].floor_capture, analysis.floor_capture);
    store_analysis_page_free(&page);
}

static void floor_capture_that_is_none_is_refused(void **state)
{
    struct store_analysis analysis = rows_analysis(1, 2), got;
    struct server_problem problem = {0};
    rows_id("cap", 999, analysis.floor_capture);
    assert_false(store_analysis_add(*state, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_string_equal(problem.field, "floor_capture");
    assert_non_null(strstr(problem.detail, analysis.floor_capture));
    assert_false(store_analysis_get(*state, analysis.id, &got, NULL));
}

static void analysis_end_is_recorded_once(void **state)
{
    struct store *store = *state;
    struct store_analysis analysis = added(store, 1, 1), got;
    struct server_problem problem = {0};
    analysis.state = STORE_FAILED;
    analysis.attempts = 2;
    analysis.started_ms = 1764032600000;
    analysis.finished_ms = 1764032601234;
    analysis.problem = (char *)"{\"code\":\"worker_crashed\"}";
    assert_true(store_analysis_finish(store, &analysis, &problem));
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_int_equal(got.state, STORE_FAILED);
    assert_int_equal(got.attempts, 2);
    assert_true(got.started_ms == 1764032600000);
    assert_true(got.finished_ms == 1764032601234);
    assert_string_equal(got.problem, "{\"code\":\"worker_crashed\"}");
    store_analysis_free(&got);

    analysis.state = STORE_DONE;
    assert_false(store_analysis_finish(store, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_non_null(strstr(problem.detail, "(failed)"));
    problem = (struct server_problem){0};
    assert_false(store_analysis_attempt(store, analysis.id, 3, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_int_equal(got.state, STORE_FAILED);
    assert_int_equal(got.attempts, 2);
    store_analysis_free(&got);
}

static void analysis_ends_in_each_final_state(void **state)
{
    struct store *store = *state;
    static const enum store_state ends[] = {STORE_DONE, STORE_FAILED, STORE_CANCELLED};
    for (int i = 0; i < 3; i++) {
        struct store_analysis analysis = added(store, i + 1, 1), got;
        finish_as(store, analysis, ends[i]);
        assert_true(store_analysis_get(store, analysis.id, &got, NULL));
        assert_int_equal(got.state, ends[i]);
        store_analysis_free(&got);
    }
}

static void analysis_unknown_cannot_end(void **state)
{
    struct store_analysis analysis = rows_analysis(1, 1);
    struct server_problem problem = {0};
    analysis.state = STORE_DONE;
    assert_false(store_analysis_finish(*state, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    problem = (struct server_problem){0};
    assert_false(store_analysis_attempt(*state, analysis.id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_non_null(strstr(problem.detail, analysis.id));
}

static void analysis_attempt_is_counted_and_stays_queued(void **state)
{
    struct store *store = *state;
    struct store_analysis analysis = added(store, 1, 1), got;
    struct server_problem problem = {0};
    assert_true(store_analysis_attempt(store, analysis.id, 1, &problem));
    assert_true(store_analysis_get(store, analysis.id, &got, NULL));
    assert_int_equal(got.attempts, 1);
    assert_int_equal(got.state, STORE_QUEUED);
    store_analysis_free(&got);
}

/* Twelve analyses: captures 1, 2, 3 in turn, testers mina and jon in turn, every fourth
 * `noise`; 1–3 done, 4 failed, 5 cancelled, the others queued. */
static void add_twelve(struct store *store)
{
    for (int n = 1; n <= 12; n++) {
        struct store_analysis analysis = rows_analysis(n, (n - 1) % 3 + 1);
        struct server_problem problem = {0};
        if (n % 2 == 0)
            analysis.tester = (char *)"jon";
        if (n % 4 == 0)
            analysis.measurement = (char *)"noise";
        assert_true(store_analysis_add(store, &analysis, &problem));
        if (n <= 5)
            finish_as(store, analysis,
                      n <= 3   ? STORE_DONE
                      : n == 4 ? STORE_FAILED
                               : STORE_CANCELLED);
    }
}

/* Numbers 3, 7 and 12, as rows_id spells them. */
static const char some[][ID_BYTES] = {
    "ana_aaaaaaaaaaaaaaaaaaad", "ana_aaaaaaaaaaaaaaaaaaah", "ana_aaaaaaaaaaaaaaaaaaam"};

static const struct {
    struct store_query query;
    int capture;      /* 0: any */
    int expected[13]; /* numbers newest first, ended by 0: by hand from the rule above */
} filters[] = {
    {{.state = -1}, 0, {12, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1}},
    {{.state = STORE_QUEUED}, 0, {12, 11, 10, 9, 8, 7, 6}},
    {{.state = STORE_DONE}, 0, {3, 2, 1}},
    {{.state = STORE_FAILED}, 0, {4}},
    {{.state = STORE_CANCELLED}, 0, {5}},
    {{.state = STORE_RUNNING}, 0, {0}}, /* never in the database */
    {{.state = -1, .tester = "jon"}, 0, {12, 10, 8, 6, 4, 2}},
    {{.state = -1, .measurement = "noise"}, 0, {12, 8, 4}},
    {{.state = -1}, 2, {11, 8, 5, 2}},
    {{.state = STORE_QUEUED, .tester = "mina"}, 0, {11, 9, 7}},
    {{.state = STORE_QUEUED, .tester = "jon", .measurement = "noise"}, 3, {12}},
    {{.state = STORE_QUEUED, .tester = "jon", .measurement = "noise"}, 1, {0}},
    {{.state = -1, .tester = "nobody"}, 0, {0}},
    {{.state = STORE_QUEUED, .ids = some, .id_count = 3}, 0, {12, 7}},
    {{.state = STORE_QUEUED, .ids = some, .id_count = 3, .ids_excluded = true},
     0,
     {11, 10, 9, 8, 6}},
    {{.state = -1, .ids = some, .id_count = 0}, 0, {0}},
    {{.state = -1, .ids = some, .id_count = 0, .ids_excluded = true}, 2, {11, 8, 5, 2}},
};

static void analysis_lists_follow_every_filter(void **state)
{
    struct store *store = *state;
    add_twelve(store);
    for (size_t i = 0; i < sizeof filters / sizeof filters[0]; i++) {
        struct store_query query = filters[i].query;
        char capture[ID_BYTES];
        rows_id("cap", filters[i].capture, capture);
        query.capture = filters[i].capture ? capture : NULL;
        query.limit = 2; /* several pages each */
        int at = 0;
        do {
            struct store_analysis_page page;
            struct server_problem problem = {0};
            assert_true(store_analysis_list(store, &query, &page, &problem));
            assert_in_range(page.count, 0, 2);
            for (int k = 0; k < page.count; k++, at++) {
                char id[ID_BYTES];
                assert_true(filters[i].expected[at] > 0);
                rows_id("ana", filters[i].expected[at], id);
                assert_string_equal(page.items[k].id, id);
            }
            query.before = page.next;
            store_analysis_page_free(&page);
        } while (query.before != 0);
        assert_int_equal(filters[i].expected[at], 0); /* all of them came */
    }
}

struct seen {
    int count;
    char ids[12][ID_BYTES];
};

static void note_queued(const struct store_analysis *analysis, void *context)
{
    struct seen *seen = context;
    assert_int_equal(analysis->state, STORE_QUEUED);
    assert_in_range(seen->count, 0, 11);
    strcpy(seen->ids[seen->count++], analysis->id);
}

static void analysis_queued_come_oldest_first(void **state)
{
    struct store *store = *state;
    add_twelve(store);
    struct seen seen = {0};
    struct server_problem problem = {0};
    assert_true(store_each_queued(store, note_queued, &seen, &problem));
    assert_int_equal(seen.count, 7);
    for (int i = 0; i < 7; i++) {
        char id[ID_BYTES];
        rows_id("ana", 6 + i, id);
        assert_string_equal(seen.ids[i], id);
    }
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
    const struct CMUnitTest tests[] = {
        TEST(analysis_comes_back_as_it_went),
        TEST(signal_comes_back_in_every_way),
        TEST(analysis_of_no_capture_is_refused),
        TEST(floor_capture_comes_back_in_every_way),
        TEST(floor_capture_that_is_none_is_refused),
        TEST(analysis_end_is_recorded_once),
        TEST(analysis_ends_in_each_final_state),
        TEST(analysis_unknown_cannot_end),
        TEST(analysis_attempt_is_counted_and_stays_queued),
        TEST(analysis_lists_follow_every_filter),
        TEST(analysis_queued_come_oldest_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
