/* Cancelling, whatever the analysis is at: expected as queue.h promises. */
#include "server/queue/queue.h"

#include <pthread.h>

#include "tests/server/queue/house.h"

static void count_call(void *context)
{
    atomic_fetch_add((atomic_int *)context, 1);
}

static void cancel(struct house *house, const char *id)
{
    struct server_problem problem = {0};
    if (!queue_cancel(house->queue, id, &problem))
        fail_msg("%s", problem.detail);
}

/* The row without its texts. */
static struct store_analysis row(struct house *house, const char *id)
{
    struct store_analysis analysis;
    assert_true(store_analysis_get(house->store, id, &analysis, NULL));
    struct store_analysis numbers = analysis;
    store_analysis_free(&analysis);
    numbers.measurement = numbers.settings = numbers.tester = numbers.problem = NULL;
    return numbers;
}

static void one_that_waits_is_cancelled_at_once(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES], last[ID_BYTES];
    house_add(&house, "wait-for-file", "go", running);
    house_wait(&house, running, STORE_RUNNING);
    house_add(&house, "crash", NULL, waiting);
    house_add(&house, "done", NULL, last);
    atomic_int count = 0;
    struct queue_watch *watch;
    assert_true(queue_watch(house.queue, waiting, count_call, &count, &watch));
    cancel(&house, waiting);
    assert_int_equal(atomic_load(&count), 1);
    queue_unwatch(house.queue, watch);
    assert_int_equal(house_state(&house, waiting), STORE_CANCELLED);
    struct store_analysis ended = row(&house, waiting);
    assert_int_equal(ended.state, STORE_CANCELLED); /* on disk, too */
    assert_true(ended.finished_ms >= ended.created_ms);
    assert_true(ended.started_ms == 0);
    assert_int_equal(queue_status(house.queue).waiting, 1);
    struct queue_view view;
    assert_true(queue_get(house.queue, last, &view, NULL));
    assert_int_equal(view.position, 1);
    queue_view_free(&view);
    cancel(&house, waiting); /* again: nothing changes */
    assert_true(row(&house, waiting).finished_ms == ended.finished_ms);
    house_touch(&house, "go");
    house_wait(&house, running, STORE_DONE);
    house_wait(&house, last, STORE_DONE);
    assert_int_equal(row(&house, waiting).attempts, 0); /* it never ran */
    house_close(&house);
}

static void one_that_runs_ends_without_an_attempt_counted(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], next[ID_BYTES];
    house_add(&house, "hang", NULL, running);
    house_wait(&house, running, STORE_RUNNING);
    house_add(&house, "done", NULL, next);
    cancel(&house, running);
    house_wait(&house, running, STORE_CANCELLED);
    struct store_analysis ended = row(&house, running);
    assert_int_equal(ended.state, STORE_CANCELLED);
    assert_int_equal(ended.attempts, 0);
    assert_true(ended.started_ms > 0 && ended.finished_ms >= ended.started_ms);
    assert_int_equal(spool_open_result(house.spool, running), -1);
    house_wait(&house, next, STORE_DONE); /* another worker took its place */
    assert_int_equal(house_part_files(&house), 0);
    house_close(&house);
}

static void ended_ones_stay_as_they_are(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char done[ID_BYTES], failed[ID_BYTES];
    house_add(&house, "done", NULL, done);
    house_add(&house, "refuse", NULL, failed);
    house_wait(&house, done, STORE_DONE);
    house_wait(&house, failed, STORE_FAILED);
    cancel(&house, done);
    cancel(&house, failed);
    assert_int_equal(row(&house, done).state, STORE_DONE);
    assert_int_equal(row(&house, failed).state, STORE_FAILED);
    struct server_problem problem = {0};
    assert_false(queue_cancel(house.queue, "ana_aaaaaaaaaaaaaaaaaaaa", &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    house_close(&house);
}

/* A worker cannot write: the job waits half a minute and more between its attempts. */
static void one_that_waits_for_a_disk_is_cancelled(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES], path[PATH_MAX];
    house_path(&house, "results", path);
    char moved[PATH_MAX + 8];
    snprintf(moved, sizeof moved, "%s.away", path);
    /* the folder open in the spool is gone: no file can be made in it */
    assert_int_equal(rename(path, moved), 0);
    assert_int_equal(rmdir(moved), 0);
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_RUNNING);
    poll(NULL, 0, 100);
    int64_t start_ms = clock_monotonic_ms();
    cancel(&house, id);
    house_wait(&house, id, STORE_CANCELLED);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 900);
    house_close(&house);
}

static void a_cancelled_one_does_not_come_back(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES];
    house_add(&house, "hang", NULL, running);
    house_wait(&house, running, STORE_RUNNING);
    house_add(&house, "done", NULL, waiting);
    cancel(&house, running);
    cancel(&house, waiting);
    house_wait(&house, running, STORE_CANCELLED);
    house_stop(&house);
    house_start(&house, 1);
    assert_int_equal(queue_status(house.queue).waiting, 0);
    assert_int_equal(queue_status(house.queue).running, 0);
    assert_int_equal(house_state(&house, running), STORE_CANCELLED);
    assert_int_equal(house_state(&house, waiting), STORE_CANCELLED);
    house_close(&house);
}

enum { THREADS = 6, EACH = 30 };

struct canceller {
    struct house *house;
    char ids[EACH][ID_BYTES];
    pthread_barrier_t *together;
};

/* Adds its own and cancels each at once, while others do, and while runners take them. */
static void *add_and_cancel(void *context)
{
    struct canceller *canceller = context;
    pthread_barrier_wait(canceller->together);
    for (int i = 0; i < EACH; i++) {
        house_add(canceller->house, i % 3 == 0 ? "hang" : "done", NULL,
                  canceller->ids[i]);
        cancel(canceller->house, canceller->ids[i]);
    }
    return NULL;
}

static void many_cancel_while_many_run(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 2);
    static struct canceller cancellers[THREADS];
    pthread_t threads[THREADS];
    pthread_barrier_t together;
    pthread_barrier_init(&together, NULL, THREADS);
    for (int i = 0; i < THREADS; i++) {
        cancellers[i].house = &house;
        cancellers[i].together = &together;
        assert_int_equal(
            pthread_create(&threads[i], NULL, add_and_cancel, &cancellers[i]), 0);
    }
    for (int i = 0; i < THREADS; i++)
        pthread_join(threads[i], NULL);
    for (int i = 0; i < THREADS; i++)
        for (int k = 0; k < EACH; k++) {
            const char *id = cancellers[i].ids[k];
            enum store_state got = house_state(&house, id);
            for (int n = 0; n < 8000 && (got == STORE_QUEUED || got == STORE_RUNNING);
                 n++) {
                poll(NULL, 0, 5);
                got = house_state(&house, id);
            }
            assert_true(got == STORE_CANCELLED || (got == STORE_DONE && k % 3 != 0));
            assert_int_equal(row(&house, id).state, got);
            assert_int_equal(row(&house, id).attempts, 0);
        }
    assert_int_equal(queue_status(house.queue).waiting, 0);
    assert_int_equal(queue_status(house.queue).running, 0);
    pthread_barrier_destroy(&together);
    house_close(&house);
}

static void a_key_queues_once(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char hanging[ID_BYTES], made[ID_BYTES];
    house_add(&house, "hang", NULL, hanging);
    house_wait(&house, hanging, STORE_RUNNING);
    struct store_key key = {"mina", "/v1/analyses", "k-1", "", clock_wall_ms()};
    store_key_digest("{}", key.asked);
    struct server_problem problem = {0};
    struct store_analysis first = house_analysis(&house, "done", NULL),
                          second = house_analysis(&house, "done", NULL);
    assert_true(queue_add_once(house.queue, &first, &key, made, &problem));
    assert_string_equal(made, first.id);
    assert_true(queue_add_once(house.queue, &second, &key, made, &problem));
    assert_string_equal(made, first.id);
    assert_int_equal(queue_status(house.queue).waiting, 1);
    store_analysis_free(&first);
    store_analysis_free(&second);
    house_close(&house);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_that_waits_is_cancelled_at_once),
        cmocka_unit_test(one_that_runs_ends_without_an_attempt_counted),
        cmocka_unit_test(ended_ones_stay_as_they_are),
        cmocka_unit_test(one_that_waits_for_a_disk_is_cancelled),
        cmocka_unit_test(a_cancelled_one_does_not_come_back),
        cmocka_unit_test(many_cancel_while_many_run),
        cmocka_unit_test(a_key_queues_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
