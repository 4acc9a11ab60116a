/* Keys of requests: what they make is made once. */
#include "server/store/store.h"

#include <limits.h>
#include <pthread.h>
#include <stdlib.h>

#include "server/base/limits.h"
#include "tests/server/store/rows.h"
#include "tests/support/support.h"

static const int64_t now_ms = INT64_C(1764032523000);

struct fixture {
    char folder[PATH_MAX];
    struct store *store;
};

static struct fixture fixture;

static int open_store(void **state)
{
    (void)state;
    support_temporary_folder(fixture.folder);
    struct server_problem problem = {0};
    return store_open(fixture.folder, &fixture.store, &problem) ? 0 : -1;
}

static int close_store(void **state)
{
    (void)state;
    store_close(fixture.store);
    return 0;
}

static struct store_key make_key(const char *key, const char *asked)
{
    struct store_key made = {"mina", "/v1/captures", key, "", now_ms};
    store_key_digest(asked, made.asked);
    return made;
}

static int count_captures(void)
{
    struct store_capture_page page;
    const struct store_query query = {.state = -1, .limit = LIMIT_PAGE_ITEMS};
    struct server_problem problem = {0};
    assert_true(store_capture_list(fixture.store, &query, &page, &problem));
    int count = page.count;
    store_capture_page_free(&page);
    return count;
}

/* Adds capture n by the key; true when it was added, false when another was told. */
static bool adds(int n, const struct store_key *key)
{
    struct store_capture capture = rows_capture(n);
    struct server_problem problem = {0};
    char made[ID_BYTES];
    assert_true(store_capture_add_once(
        fixture.store, &(struct store_upload){.capture = &capture}, key, made, &problem));
    return strcmp(made, capture.id) == 0;
}

/* FIPS 180-4's example: SHA-256 of "abc" (csrc.nist.gov, SHA256 examples). */
static void key_digest_is_sha256(void **state)
{
    (void)state;
    char digest[65];
    store_key_digest("abc", digest);
    assert_string_equal(
        digest, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

static void key_makes_once_and_tells_what(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "take 1");
    struct server_problem problem = {0};
    char found[ID_BYTES] = "", first[ID_BYTES];
    assert_false(store_key_find(fixture.store, &key, found, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NONE);
    assert_true(adds(1, &key));
    assert_false(adds(2, &key));
    assert_int_equal(count_captures(), 1);
    rows_id("cap", 1, first);
    assert_true(store_key_find(fixture.store, &key, found, &problem));
    assert_string_equal(found, first);

    store_close(fixture.store);
    assert_true(store_open(fixture.folder, &fixture.store, &problem));
    assert_false(adds(3, &key));
    assert_int_equal(count_captures(), 1);
}

static void key_with_another_request_is_refused(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "take 1"), other = make_key("k-1", "take 2");
    struct server_problem problem = {0};
    struct store_capture capture = rows_capture(2);
    char made[ID_BYTES], first[ID_BYTES];
    assert_true(adds(1, &key));
    assert_false(store_capture_add_once(fixture.store,
                                        &(struct store_upload){.capture = &capture},
                                        &other, made, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_KEY_REUSED);
    assert_string_equal(problem.field, "Idempotency-Key");
    rows_id("cap", 1, first);
    assert_non_null(strstr(problem.detail, first));
    problem = (struct server_problem){0};
    assert_false(store_key_find(fixture.store, &other, made, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_KEY_REUSED);
    assert_int_equal(count_captures(), 1);
}

static void key_is_one_testers_on_one_path(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "take 1"), jons = key, elsewhere = key;
    jons.tester = "jon";
    elsewhere.path = "/v1/analyses";
    assert_true(adds(1, &key));
    assert_true(adds(2, &jons));
    assert_true(adds(3, &elsewhere));
    assert_int_equal(count_captures(), 3);
}

static void key_is_forgotten_after_its_day(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "take 1"), other = make_key("k-2", "take 2");
    struct server_problem problem = {0};
    char made[ID_BYTES];
    assert_true(adds(1, &key));
    key.now_ms = now_ms + LIMIT_KEY_S * INT64_C(1000) - 1;
    assert_false(adds(2, &key));
    key.now_ms++;
    assert_false(store_key_find(fixture.store, &key, made, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NONE);
    assert_true(adds(2, &key));
    /* Another key's coming removes the rows of old ones. */
    other.now_ms = now_ms + 2 * LIMIT_KEY_S * INT64_C(1000);
    assert_true(adds(3, &other));
    key.now_ms = now_ms;
    assert_false(store_key_find(fixture.store, &key, made, &problem));
}

static void key_of_what_could_not_be_made_is_free(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "an analysis");
    struct store_analysis analysis = rows_analysis(1, 9); /* of no capture */
    struct server_problem problem = {0};
    char made[ID_BYTES];
    assert_false(store_analysis_add_once(fixture.store, &analysis, &key, made, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_string_equal(problem.field, "capture");
    assert_true(adds(1, &key));
    struct store_key next = make_key("k-2", "an analysis");
    problem = (struct server_problem){0};
    analysis = rows_analysis(2, 1);
    assert_true(store_analysis_add_once(fixture.store, &analysis, &next, made, &problem));
    assert_string_equal(made, analysis.id);
    struct store_analysis again = rows_analysis(3, 1);
    assert_true(store_analysis_add_once(fixture.store, &again, &next, made, &problem));
    assert_string_equal(made, analysis.id);
}

static void key_outlives_what_it_made(void **state)
{
    (void)state;
    struct store_key key = make_key("k-1", "take 1");
    struct store_capture capture = rows_capture(1);
    struct store_removed removed;
    struct server_problem problem = {0};
    assert_true(adds(1, &key));
    assert_true(store_capture_remove(fixture.store, capture.id, &removed, &problem));
    store_removed_free(&removed);
    assert_false(adds(2, &key));
    assert_int_equal(count_captures(), 0);
}

enum { THREADS = 16, ROUNDS = 20 };

struct client {
    int number;
    char made[ROUNDS][ID_BYTES];
};

static void *add_each_round(void *context)
{
    struct client *client = context;
    for (int round = 0; round < ROUNDS; round++) {
        char name[16];
        snprintf(name, sizeof name, "round-%d", round);
        struct store_key key = make_key(name, name);
        struct store_capture capture = rows_capture(1 + client->number * ROUNDS + round);
        struct server_problem problem = {0};
        if (!store_capture_add_once(fixture.store,
                                    &(struct store_upload){.capture = &capture}, &key,
                                    client->made[round], &problem))
            client->made[round][0] = '\0';
    }
    return NULL;
}

static void key_of_16_threads_makes_one(void **state)
{
    (void)state;
    pthread_t threads[THREADS];
    static struct client clients[THREADS];
    for (int i = 0; i < THREADS; i++) {
        clients[i].number = i;
        assert_int_equal(pthread_create(&threads[i], NULL, add_each_round, &clients[i]),
                         0);
    }
    for (int i = 0; i < THREADS; i++)
        pthread_join(threads[i], NULL);
    for (int round = 0; round < ROUNDS; round++)
        for (int i = 0; i < THREADS; i++) {
            assert_true(clients[i].made[round][0] != '\0');
            assert_string_equal(clients[i].made[round], clients[0].made[round]);
        }
    assert_int_equal(count_captures(), ROUNDS);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_store, close_store)
    const struct CMUnitTest tests[] = {
        TEST(key_digest_is_sha256),
        TEST(key_makes_once_and_tells_what),
        TEST(key_with_another_request_is_refused),
        TEST(key_is_one_testers_on_one_path),
        TEST(key_is_forgotten_after_its_day),
        TEST(key_of_what_could_not_be_made_is_free),
        TEST(key_outlives_what_it_made),
        TEST(key_of_16_threads_makes_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
