/* What may be removed, what refuses it, and what the caller is told to remove. */
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
    return store_open(folder, (struct store **)state, &problem) ? 0 : -1;
}

static int close_store(void **state)
{
    store_close(*state);
    return 0;
}

static void add_capture(struct store *store, int n)
{
    struct store_capture capture = rows_capture(n);
    struct server_problem problem = {0};
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
}

/* Analysis n of a capture; floor 0: none. */
static void add_analysis(struct store *store, int n, int capture, int floor,
                         enum store_state end)
{
    struct store_analysis analysis = rows_analysis(n, capture);
    struct server_problem problem = {0};
    if (floor > 0)
        rows_id("cap", floor, analysis.floor_capture);
    assert_true(store_analysis_add(store, &analysis, &problem));
    analysis.state = end;
    if (end != STORE_QUEUED)
        assert_true(store_analysis_finish(store, &analysis, &problem));
}

static bool has_capture(struct store *store, int n)
{
    struct store_capture got;
    char id[ID_BYTES];
    rows_id("cap", n, id);
    bool has = store_capture_get(store, id, &got, NULL);
    if (has)
        store_capture_free(&got);
    return has;
}

static bool has_analysis(struct store *store, int n)
{
    struct store_analysis got;
    char id[ID_BYTES];
    rows_id("ana", n, id);
    bool has = store_analysis_get(store, id, &got, NULL);
    if (has)
        store_analysis_free(&got);
    return has;
}

static bool remove_capture(struct store *store, int n, struct server_problem *problem)
{
    struct store_removed removed = {0};
    char id[ID_BYTES];
    rows_id("cap", n, id);
    bool done = store_capture_remove(store, id, &removed, problem);
    store_removed_free(&removed);
    return done;
}

static void assert_conflict(struct store *store, int capture, const char *words)
{
    struct server_problem problem = {0};
    assert_false(remove_capture(store, capture, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    if (strstr(problem.detail, words) == NULL)
        fail_msg("\"%s\" does not say \"%s\"", problem.detail, words);
    assert_true(has_capture(store, capture));
}

static void capture_goes_with_its_ended_analyses(void **state)
{
    struct store *store = *state;
    static const enum store_state ends[] = {STORE_DONE, STORE_FAILED, STORE_CANCELLED};
    add_capture(store, 1);
    add_capture(store, 2);
    for (int n = 1; n <= 9; n++)
        add_analysis(store, n, 1, n == 5 ? 1 : 2, ends[n % 3]); /* one its own floor */
    add_analysis(store, 10, 2, 0, STORE_DONE);
    struct store_removed removed;
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(1);
    assert_true(store_capture_remove(store, capture.id, &removed, &problem));
    assert_string_equal(removed.sha256, capture.sha256);
    assert_int_equal(removed.count, 9);
    for (int n = 1; n <= 9; n++) {
        char id[ID_BYTES];
        int times = 0;
        rows_id("ana", n, id);
        for (int i = 0; i < removed.count; i++)
            times += strcmp(removed.analyses[i], id) == 0;
        assert_int_equal(times, 1);
        assert_false(has_analysis(store, n));
    }
    store_removed_free(&removed);
    assert_false(has_capture(store, 1));
    assert_true(has_capture(store, 2));
    assert_true(has_analysis(store, 10));
}

static void capture_without_analyses_goes(void **state)
{
    struct store *store = *state;
    struct store_removed removed;
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(1);
    add_capture(store, 1);
    assert_true(store_capture_remove(store, capture.id, &removed, &problem));
    assert_int_equal(removed.count, 0);
    store_removed_free(&removed);
    assert_false(store_has_content(store, capture.sha256));
    assert_false(remove_capture(store, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
}

static void capture_stays_while_an_analysis_waits(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    add_capture(store, 1);
    add_analysis(store, 1, 1, 0, STORE_DONE);
    add_analysis(store, 2, 1, 0, STORE_QUEUED);
    struct store_analysis waiting = rows_analysis(2, 1);
    assert_conflict(store, 1, waiting.id);
    assert_true(has_analysis(store, 1)); /* nothing of it went */
    waiting.state = STORE_CANCELLED;
    assert_true(store_analysis_finish(store, &waiting, &problem));
    assert_true(remove_capture(store, 1, &problem));
}

static void capture_stays_while_it_is_pinned(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(1);
    add_capture(store, 1);
    const struct store_capture_change pin = {.pinned = 1}, unpin = {.pinned = 0};
    assert_true(store_capture_change(store, capture.id, &pin, &problem));
    assert_conflict(store, 1, "{\"pinned\":false}");
    assert_true(store_capture_change(store, capture.id, &unpin, &problem));
    assert_true(remove_capture(store, 1, &problem));
}

static void capture_stays_while_it_is_a_floor(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    add_capture(store, 1);
    add_capture(store, 2);
    add_analysis(store, 1, 2, 1, STORE_DONE);
    struct store_analysis analysis = rows_analysis(1, 2);
    assert_conflict(store, 1, analysis.id);
    assert_conflict(store, 1, analysis.capture);
    assert_true(store_analysis_remove(store, analysis.id, &problem));
    assert_true(remove_capture(store, 1, &problem));
}

static void capture_changes_what_is_named_alone(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(1), got;
    add_capture(store, 1);
    add_capture(store, 2);
    static const struct {
        struct store_capture_change change;
        const char *name, *note;
        bool pinned;
    } steps[] = {
        {{.pinned = -1}, "unit A, take 1", "Harbour Street, desk 4", false},
        {{.name = "unit B", .pinned = -1}, "unit B", "Harbour Street, desk 4", false},
        {{.note = "", .pinned = 1}, "unit B", "", true},
        {{.name = "", .note = "again", .pinned = -1}, "", "again", true},
        {{.pinned = 0}, "", "again", false},
    };
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        assert_true(store_capture_change(store, capture.id, &steps[i].change, &problem));
        assert_true(store_capture_get(store, capture.id, &got, NULL));
        assert_string_equal(got.name, steps[i].name);
        assert_string_equal(got.note, steps[i].note);
        assert_int_equal(got.pinned, steps[i].pinned);
        assert_string_equal(got.sha256, capture.sha256);
        store_capture_free(&got);
    }
    char other[ID_BYTES];
    rows_id("cap", 2, other);
    assert_true(store_capture_get(store, other, &got, NULL));
    assert_string_equal(got.name, "unit A, take 1");
    store_capture_free(&got);
    rows_id("cap", 3, other);
    assert_false(store_capture_change(store, other, &steps[0].change, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
}

static void analysis_goes_once_it_has_ended(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    add_capture(store, 1);
    add_analysis(store, 1, 1, 0, STORE_DONE);
    add_analysis(store, 2, 1, 0, STORE_QUEUED);
    char id[ID_BYTES];
    rows_id("ana", 1, id);
    assert_true(store_analysis_remove(store, id, &problem));
    assert_false(has_analysis(store, 1));
    assert_false(store_analysis_remove(store, id, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    problem = (struct server_problem){0};
    rows_id("ana", 2, id);
    assert_false(store_analysis_remove(store, id, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_non_null(strstr(problem.detail, "/cancel"));
    assert_true(has_analysis(store, 2));
    assert_true(has_capture(store, 1));
}

/* Pages of 5 of captures 23…1 while some of them go: neither twice nor left out. */
static void pages_stay_right_while_items_go(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    for (int n = 1; n <= 23; n++)
        add_capture(store, n);
    struct store_query query = {.state = -1, .limit = 5};
    int seen[24] = {0};
    for (bool first = true; first || query.before != 0; first = false) {
        struct store_capture_page page;
        assert_true(store_capture_list(store, &query, &page, &problem));
        for (int n = 1; n <= 23; n++)
            for (int i = 0; i < page.count; i++) {
                char id[ID_BYTES];
                rows_id("cap", n, id);
                seen[n] += strcmp(page.items[i].id, id) == 0;
            }
        query.before = page.next;
        store_capture_page_free(&page);
        if (first) { /* of the page seen, its last too, and of those that follow */
            assert_true(remove_capture(store, 21, &problem));
            assert_true(remove_capture(store, 19, &problem));
            assert_true(remove_capture(store, 18, &problem));
            assert_true(remove_capture(store, 7, &problem));
        }
    }
    for (int n = 1; n <= 23; n++)
        assert_int_equal(seen[n], n != 18 && n != 7);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
    const struct CMUnitTest tests[] = {
        TEST(capture_goes_with_its_ended_analyses),
        TEST(capture_without_analyses_goes),
        TEST(capture_stays_while_an_analysis_waits),
        TEST(capture_stays_while_it_is_pinned),
        TEST(capture_stays_while_it_is_a_floor),
        TEST(capture_changes_what_is_named_alone),
        TEST(analysis_goes_once_it_has_ended),
        TEST(pages_stay_right_while_items_go),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
