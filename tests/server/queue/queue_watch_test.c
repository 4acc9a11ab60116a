/* Who waits for the end of an analysis is told once: expected as queue.h promises. */
#include "server/queue/queue.h"

#include "tests/server/queue/house.h"

static void count_call(void *context)
{
    atomic_fetch_add((atomic_int *)context, 1);
}

static void wait_count(atomic_int *count, int want)
{
    for (int i = 0; i < 4000 && atomic_load(count) != want; i++)
        poll(NULL, 0, 5);
    assert_int_equal(atomic_load(count), want);
}

static void watches_are_called_once(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    atomic_int count = 0, dropped_count = 0;
    struct queue_watch *first, *second, *dropped, *late, *none = NULL;
    assert_true(queue_watch(house.queue, id, count_call, &count, &first));
    assert_true(queue_watch(house.queue, id, count_call, &dropped_count, &dropped));
    assert_true(queue_watch(house.queue, id, count_call, &count, &second));
    queue_unwatch(house.queue, dropped);
    poll(NULL, 0, 50);
    assert_int_equal(atomic_load(&count), 0);
    house_touch(&house, "go");
    wait_count(&count, 2);
    assert_int_equal(house_state(&house, id),
                     STORE_DONE); /* ended before it was called */
    assert_true(queue_watch(house.queue, id, count_call, &count, &late));
    assert_int_equal(atomic_load(&count), 3); /* at once */
    queue_unwatch(house.queue, first);
    queue_unwatch(house.queue, second);
    queue_unwatch(house.queue, late);
    queue_unwatch(house.queue, NULL);
    assert_int_equal(atomic_load(&dropped_count), 0);
    assert_false(
        queue_watch(house.queue, "ana_aaaaaaaaaaaaaaaaaaaa", count_call, &count, &none));
    assert_null(none);
    house_close(&house);
}

struct slow {
    struct house *house;
    const char *id;
    atomic_int begun, ended;
};

/* `ended` may call the queue; it takes its time here. */
static void slow_call(void *context)
{
    struct slow *slow = context;
    atomic_store(&slow->begun, 1);
    poll(NULL, 0, 100);
    assert_int_equal(house_state(slow->house, slow->id), STORE_DONE);
    atomic_store(&slow->ended, 1);
}

static void unwatching_waits_for_a_call_under_way(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    house_add(&house, "wait-for-file", "go", id);
    struct slow slow = {.house = &house, .id = id};
    struct queue_watch *watch;
    assert_true(queue_watch(house.queue, id, slow_call, &slow, &watch));
    house_touch(&house, "go");
    wait_count(&slow.begun, 1);
    queue_unwatch(house.queue, watch);
    assert_int_equal(atomic_load(&slow.ended), 1);
    house_close(&house);
}

/* The watch outlives the queue here only in that nobody unwatches it any more: freed by
 * hand, as its last owner. */
static void stopping_wakes_those_who_wait(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES];
    house_add(&house, "hang", NULL, running);
    house_add(&house, "done", NULL, waiting);
    atomic_int count = 0;
    struct queue_watch *first, *second;
    assert_true(queue_watch(house.queue, running, count_call, &count, &first));
    assert_true(queue_watch(house.queue, waiting, count_call, &count, &second));
    house_stop(&house);
    assert_int_equal(atomic_load(&count), 2);
    free(first);
    free(second);
    house_close(&house);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(watches_are_called_once),
        cmocka_unit_test(unwatching_waits_for_a_call_under_way),
        cmocka_unit_test(stopping_wakes_those_who_wait),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
