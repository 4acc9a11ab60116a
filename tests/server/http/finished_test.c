#include "server/http/finished.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>

#include "tests/support/support.h"

static const char id_a[] = "ana_aaaaaaaaaaaaaaaaaaaa",
                  id_b[] = "ana_bbbbbbbbbbbbbbbbbbbb";

static atomic_int freed; /* bodies of answers that nobody holds any more */

static void count_freed(void *body)
{
    (void)body;
    freed++;
}

static struct MHD_Response *answer(void)
{
    static char body[] = "{}";
    return MHD_create_response_from_buffer_with_free_callback(2, body, count_freed);
}

static struct finished_answer *keep(struct finished *finished, const char *id)
{
    struct finished_answer *kept =
        finished_keep(finished, id, finished_now(finished), answer());
    assert_non_null(kept);
    return kept;
}

static void an_answer_kept_is_found_by_its_id_alone(void **state)
{
    (void)state;
    freed = 0;
    struct finished *finished = finished_new();
    struct finished_answer *kept = keep(finished, id_a);
    struct finished_answer *found = finished_get(finished, id_a);
    assert_ptr_equal(found, kept);
    assert_non_null(finished_response(found));
    assert_null(finished_get(finished, id_b));
    finished_release(found);
    finished_release(kept);
    assert_int_equal(freed, 0);
    finished_free(finished);
    assert_int_equal(freed, 1);
}

static void an_answer_dropped_is_not_found_but_lives_while_it_is_sent(void **state)
{
    (void)state;
    freed = 0;
    struct finished *finished = finished_new();
    struct finished_answer *sent = keep(finished, id_a);
    finished_drop(finished, id_a);
    assert_null(finished_get(finished, id_a));
    assert_int_equal(freed, 0);
    finished_release(sent);
    assert_int_equal(freed, 1);
    finished_free(finished);
}

/* The row was read before it was removed, and the answer made of it afterwards. */
static void what_was_dropped_meanwhile_is_not_kept(void **state)
{
    (void)state;
    struct finished *finished = finished_new();
    uint64_t since = finished_now(finished);
    finished_drop(finished, id_a);
    struct finished_answer *late = finished_keep(finished, id_a, since, answer());
    assert_non_null(late);
    assert_non_null(finished_response(late));
    assert_null(finished_get(finished, id_a));
    finished_release(late);
    finished_free(finished);
}

static void more_answers_than_slots_take_each_others_place(void **state)
{
    (void)state;
    freed = 0;
    struct finished *finished = finished_new();
    char id[ID_BYTES];
    for (int i = 0; i < 3 * FINISHED_SLOTS; i++) {
        snprintf(id, sizeof id, "ana_%020d", i);
        finished_release(keep(finished, id));
    }
    assert_true(freed >= 2 * FINISHED_SLOTS);
    finished_free(finished);
    assert_int_equal(freed, 3 * FINISHED_SLOTS);
}

static void *keep_and_drop(void *context)
{
    struct finished *finished = context;
    for (int i = 0; i < 2000; i++) {
        finished_release(keep(finished, i % 2 ? id_a : id_b));
        finished_release(finished_get(finished, id_a));
        if (i % 16 == 0)
            finished_drop(finished, id_a);
    }
    return NULL;
}

static void threads_share_it(void **state)
{
    (void)state;
    freed = 0;
    struct finished *finished = finished_new();
    pthread_t threads[4];
    for (int i = 0; i < 4; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, keep_and_drop, finished), 0);
    for (int i = 0; i < 4; i++)
        pthread_join(threads[i], NULL);
    finished_drop(finished, id_a);
    assert_null(finished_get(finished, id_a));
    finished_free(finished);
    assert_int_equal(freed, 4 * 2000); /* each answer once */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_answer_kept_is_found_by_its_id_alone),
        cmocka_unit_test(an_answer_dropped_is_not_found_but_lives_while_it_is_sent),
        cmocka_unit_test(what_was_dropped_meanwhile_is_not_kept),
        cmocka_unit_test(more_answers_than_slots_take_each_others_place),
        cmocka_unit_test(threads_share_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
