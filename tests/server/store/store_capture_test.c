/* Captures: rows and pages. */
#include "server/store/store.h"

#include <limits.h>
#include <pthread.h>
#include <stdlib.h>

#include "server/base/limits.h"
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

static void add_capture(struct store *store, int n, const char *tester)
{
    struct store_capture capture = rows_capture(n);
    struct server_problem problem = {0};
    capture.tester = (char *)tester;
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
}

static void capture_comes_back_as_it_went(void **state)
{
    struct store *store = *state;
    struct store_capture capture = rows_capture(7), got;
    struct server_problem problem = {0};
    capture.name = (char *)"Gerät „B“ — Aufnahme 2'; DROP TABLE capture;--";
    capture.bytes = UINT64_C(5) << 32;
    capture.pinned = true;
    capture.audio = STORE_AUDIO_CHANGED;
    capture.content_mtime_ns = INT64_C(1764032523123456789);
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    assert_true(store_capture_get(store, capture.id, &got, NULL));
    assert_string_equal(got.id, capture.id);
    assert_string_equal(got.name, capture.name);
    assert_string_equal(got.note, capture.note);
    assert_string_equal(got.tester, capture.tester);
    assert_true(got.received_ms == capture.received_ms);
    assert_true(got.bytes == UINT64_C(21474836480));
    assert_string_equal(got.sha256, capture.sha256);
    assert_string_equal(got.format, capture.format);
    assert_string_equal(got.warnings, capture.warnings);
    assert_true(got.pinned);
    assert_int_equal(got.audio, STORE_AUDIO_CHANGED);
    assert_true(got.content_mtime_ns == INT64_C(1764032523123456789));
    store_capture_free(&got);
    assert_null(got.name); /* a second free is harmless */
    store_capture_free(&got);
}

static void capture_without_format_and_name(void **state)
{
    struct store *store = *state;
    struct store_capture capture = rows_capture(1), got;
    struct server_problem problem = {0};
    capture.format = NULL;
    capture.name = capture.note = (char *)"";
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    assert_true(store_capture_get(store, capture.id, &got, NULL));
    assert_null(got.format);
    assert_string_equal(got.name, "");
    assert_string_equal(got.note, "");
    store_capture_free(&got);
}

static void capture_unknown_is_not_found(void **state)
{
    struct store_capture got;
    assert_false(store_capture_get(*state, "cap_aaaaaaaaaaaaaaaaaaaa", &got, NULL));
}

static void capture_twice_is_refused_and_the_first_stays(void **state)
{
    struct store *store = *state;
    struct store_capture capture = rows_capture(1), got;
    struct server_problem problem = {0};
    assert_true(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    capture.note = (char *)"another";
    assert_false(
        store_capture_add(store, &(struct store_upload){.capture = &capture}, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "capture.id"));
    assert_true(store_capture_get(store, capture.id, &got, NULL));
    assert_string_equal(got.note, "Harbour Street, desk 4");
    store_capture_free(&got);
}

/* 23 captures in pages of 5: 23…19, 18…14, 13…9, 8…4, 3…1. */
static void capture_pages_come_newest_first(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    for (int n = 1; n <= 23; n++)
        add_capture(store, n, "mina");
    struct store_query query = {.state = -1, .limit = 5};
    int expected = 23, pages = 0;
    do {
        struct store_capture_page page;
        assert_true(store_capture_list(store, &query, &page, &problem));
        assert_int_equal(page.count, pages == 4 ? 3 : 5);
        for (int i = 0; i < page.count; i++) {
            char id[ID_BYTES];
            rows_id("cap", expected--, id);
            assert_string_equal(page.items[i].id, id);
        }
        query.before = page.next;
        if (pages == 0) /* what arrives meanwhile does not shift the pages that follow */
            add_capture(store, 24, "mina");
        store_capture_page_free(&page);
        pages++;
    } while (query.before != 0);
    assert_int_equal(pages, 5);
    assert_int_equal(expected, 0);
}

static void capture_page_ends_exactly_at_the_last(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    struct store_capture_page page;
    struct store_query query = {.state = -1, .limit = 5};
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 0);
    assert_true(page.next == 0);
    store_capture_page_free(&page);
    for (int n = 1; n <= 5; n++)
        add_capture(store, n, "mina");
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 5);
    assert_true(page.next == 0); /* no empty page follows */
    store_capture_page_free(&page);
}

static void capture_list_keeps_testers_apart(void **state)
{
    struct store *store = *state;
    struct server_problem problem = {0};
    for (int n = 1; n <= 9; n++)
        add_capture(store, n, n % 3 == 0 ? "jon" : "mina");
    struct store_capture_page page;
    struct store_query query = {.tester = "jon", .state = -1, .limit = 2};
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 2);
    char id[ID_BYTES];
    rows_id("cap", 9, id);
    assert_string_equal(page.items[0].id, id);
    rows_id("cap", 6, id);
    assert_string_equal(page.items[1].id, id);
    query.before = page.next;
    store_capture_page_free(&page);
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 1);
    assert_true(page.next == 0);
    store_capture_page_free(&page);
    query = (struct store_query){.tester = "jo", .state = -1, .limit = 2};
    assert_true(store_capture_list(store, &query, &page, &problem));
    assert_int_equal(page.count, 0);
    store_capture_page_free(&page);
}

static void capture_list_refuses_a_limit_out_of_range(void **state)
{
    static const int limits[] = {0, -1, LIMIT_PAGE_ITEMS + 1};
    for (int i = 0; i < 3; i++) {
        struct store_capture_page page = {.count = 77};
        struct store_query query = {.state = -1, .limit = limits[i]};
        struct server_problem problem = {0};
        assert_false(store_capture_list(*state, &query, &page, &problem));
        assert_int_equal(problem.code, SERVER_PROBLEM_OUT_OF_RANGE);
        assert_string_equal(problem.field, "limit");
        assert_non_null(strstr(problem.detail, "1 to 200"));
        assert_int_equal(page.count, 77);
    }
}

enum { THREADS = 16, EACH = 25 };

struct client {
    struct store *store;
    int number;
    bool all_added;
};

static void *add_many(void *context)
{
    struct client *client = context;
    client->all_added = true;
    for (int i = 0; i < EACH; i++) {
        struct store_capture capture = rows_capture(1 + client->number * EACH + i), got;
        struct server_problem problem = {0};
        bool added =
            store_capture_add(client->store, &(struct store_upload){.capture = &capture},
                              &problem) &&
            store_capture_get(client->store, capture.id, &got, NULL);
        if (added)
            store_capture_free(&got);
        client->all_added = client->all_added && added;
    }
    return NULL;
}

static void captures_of_16_threads_are_all_there(void **state)
{
    struct store *store = *state;
    pthread_t threads[THREADS];
    struct client clients[THREADS];
    for (int i = 0; i < THREADS; i++) {
        clients[i] = (struct client){store, i, false};
        assert_int_equal(pthread_create(&threads[i], NULL, add_many, &clients[i]), 0);
    }
    for (int i = 0; i < THREADS; i++) {
        pthread_join(threads[i], NULL);
        assert_true(clients[i].all_added);
    }
    struct store_query query = {.state = -1, .limit = LIMIT_PAGE_ITEMS};
    int count = 0;
    do {
        struct store_capture_page page;
        struct server_problem problem = {0};
        assert_true(store_capture_list(store, &query, &page, &problem));
        count += page.count;
        query.before = page.next;
        store_capture_page_free(&page);
    } while (query.before != 0);
    assert_int_equal(count, THREADS * EACH);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
    const struct CMUnitTest tests[] = {
        TEST(capture_comes_back_as_it_went),
        TEST(capture_without_format_and_name),
        TEST(capture_unknown_is_not_found),
        TEST(capture_twice_is_refused_and_the_first_stays),
        TEST(capture_pages_come_newest_first),
        TEST(capture_page_ends_exactly_at_the_last),
        TEST(capture_list_keeps_testers_apart),
        TEST(capture_list_refuses_a_limit_out_of_range),
        TEST(captures_of_16_threads_are_all_there),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
