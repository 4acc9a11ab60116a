/* States, positions, limits and what survives a stop: expected as queue.h promises. */
#include "server/queue/queue.h"

#include <pthread.h>
#include <sys/stat.h>

#include "analysis/worker/wire.h"
#include "server/base/limits.h"
#include "tests/server/queue/house.h"

static void a_job_is_done_and_its_result_kept(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char id[ID_BYTES];
    int64_t before_ms = clock_wall_ms();
    house_add(&house, "done", NULL, id);
    house_wait(&house, id, STORE_DONE);
    struct store_analysis analysis;
    assert_true(store_analysis_get(house.store, id, &analysis, NULL));
    assert_int_equal(analysis.attempts, 0);
    assert_null(analysis.problem);
    assert_true(analysis.started_ms >= before_ms);
    assert_true(analysis.finished_ms >= analysis.started_ms);
    store_analysis_free(&analysis);
    int result = spool_open_result(house.spool, id);
    assert_true(result >= 0);
    struct stat file;
    assert_int_equal(fstat(result, &file), 0);
    assert_int_equal(file.st_size, sizeof(struct wire_result_header)); /* what it wrote */
    close(result);
    assert_int_equal(house_part_files(&house), 0);
    assert_int_equal(queue_status(house.queue).waiting, 0);
    house_close(&house);
}

/* Each analysis that was done is in one group, and all took no longer than the bounds of
 * their groups allow. */
static void assert_durations(struct queue_status status, unsigned long done)
{
    unsigned long count = 0;
    double most_ms = 0;
    for (int i = 0; i < QUEUE_DURATIONS - 1; i++) {
        count += status.took[i];
        most_ms += (double)status.took[i] * queue_duration_ms[i];
    }
    assert_int_equal(status.took[QUEUE_DURATIONS - 1], 0); /* longer than 100 s */
    assert_int_equal(count, done);
    assert_int_equal(status.done, done);
    assert_true((double)status.took_ms <= most_ms);
}

static void progress_and_positions_are_seen(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char first[ID_BYTES], second[ID_BYTES], third[ID_BYTES];
    house_add(&house, "progress", "go", first);
    house_add(&house, "done", NULL, second);
    house_add(&house, "done", NULL, third);
    struct queue_view view = {0};
    for (int i = 0; i < 4000 && view.progress < 0.5; i++) {
        queue_view_free(&view);
        poll(NULL, 0, 5);
        assert_true(queue_get(house.queue, first, &view, NULL));
    }
    assert_close(view.progress, 0.5, 0);
    assert_int_equal(view.analysis.state, STORE_RUNNING);
    assert_true(view.analysis.started_ms > 0);
    queue_view_free(&view);
    assert_true(queue_get(house.queue, third, &view, NULL));
    assert_int_equal(view.analysis.state, STORE_QUEUED);
    assert_int_equal(view.position, 2);
    assert_string_equal(view.analysis.measurement, "distortion");
    queue_view_free(&view);
    assert_int_equal(queue_status(house.queue).waiting, 2);
    assert_int_equal(queue_status(house.queue).running, 1);
    house_touch(&house, "go");
    house_wait(&house, third, STORE_DONE);
    assert_durations(queue_status(house.queue), 3);
    assert_int_equal(house_state(&house, second), STORE_DONE);
    assert_false(queue_get(house.queue, "ana_aaaaaaaaaaaaaaaaaaaa", &view, NULL));
    house_close(&house);
}

static void stopping_leaves_rows_queued_and_the_next_start_runs_them(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    char running[ID_BYTES], waiting[ID_BYTES];
    house_add(&house, "wait-for-file", "go", running);
    house_add(&house, "done", NULL, waiting);
    house_wait(&house, running, STORE_RUNNING);
    int64_t start_ms = clock_monotonic_ms();
    house_stop(&house);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 3000);
    const char *ids[] = {running, waiting};
    for (int i = 0; i < 2; i++) {
        struct store_analysis analysis;
        assert_true(store_analysis_get(house.store, ids[i], &analysis, NULL));
        assert_int_equal(analysis.state, STORE_QUEUED);
        assert_int_equal(analysis.attempts, 0);
        store_analysis_free(&analysis);
    }
    house_touch(&house, "go");
    house_start(&house, 1);
    house_wait(&house, running, STORE_DONE);
    house_wait(&house, waiting, STORE_DONE);
    house_close(&house);
}

enum { FILLERS = 16 };

/* Many threads, so that the store commits their rows together. */
static void *fill(void *context)
{
    struct house *house = context;
    for (int i = 0; i < LIMIT_QUEUE_LENGTH / FILLERS; i++) {
        struct store_analysis analysis = house_analysis(house, "hang", NULL);
        assert_true(store_analysis_add(house->store, &analysis, NULL));
        store_analysis_free(&analysis);
    }
    return NULL;
}

/* One runs and as many as the limit wait: rows of a former run, since loading has no
 * limit. */
static void a_full_queue_refuses(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    house_stop(&house);
    pthread_t threads[FILLERS];
    for (int i = 0; i < FILLERS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, fill, &house), 0);
    for (int i = 0; i < FILLERS; i++)
        pthread_join(threads[i], NULL);
    struct server_problem problem = {0};
    struct store_analysis one = house_analysis(&house, "hang", NULL);
    assert_true(store_analysis_add(house.store, &one, &problem));
    store_analysis_free(&one);
    house_start(&house, 1);
    for (int i = 0; i < 4000 && queue_status(house.queue).running == 0; i++)
        poll(NULL, 0, 5);
    assert_int_equal(queue_status(house.queue).waiting, LIMIT_QUEUE_LENGTH);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    assert_false(queue_add(house.queue, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_QUEUE_FULL);
    assert_non_null(strstr(problem.detail, "10000"));
    struct queue_view view;
    assert_false(queue_get(house.queue, analysis.id, &view, NULL)); /* no row of it */
    store_analysis_free(&analysis);
    house_close(&house);
}

static void an_unknown_recording_is_refused(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 1);
    struct store_analysis analysis = house_analysis(&house, "done", NULL);
    id_new("cap", analysis.capture);
    struct server_problem problem = {0};
    assert_false(queue_add(house.queue, &analysis, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_NOT_FOUND);
    assert_int_equal(queue_status(house.queue).waiting, 0);
    store_analysis_free(&analysis);
    house_close(&house);
}

struct adder {
    struct house *house;
    char ids[10][ID_BYTES];
};

static void *add_ten(void *context)
{
    struct adder *adder = context;
    for (int i = 0; i < 10; i++)
        house_add(adder->house, i % 5 == 3 ? "no-memory" : "done", NULL, adder->ids[i]);
    return NULL;
}

static void many_add_while_many_run(void **state)
{
    (void)state;
    struct house house;
    house_open(&house, 3);
    struct adder adders[4];
    pthread_t threads[4];
    for (int i = 0; i < 4; i++) {
        adders[i].house = &house;
        assert_int_equal(pthread_create(&threads[i], NULL, add_ten, &adders[i]), 0);
    }
    for (int i = 0; i < 4; i++)
        pthread_join(threads[i], NULL);
    for (int i = 0; i < 4; i++)
        for (int k = 0; k < 10; k++)
            house_wait(&house, adders[i].ids[k], k % 5 == 3 ? STORE_FAILED : STORE_DONE);
    assert_int_equal(queue_status(house.queue).running, 0);
    house_close(&house);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_job_is_done_and_its_result_kept),
        cmocka_unit_test(progress_and_positions_are_seen),
        cmocka_unit_test(stopping_leaves_rows_queued_and_the_next_start_runs_them),
        cmocka_unit_test(a_full_queue_refuses),
        cmocka_unit_test(an_unknown_recording_is_refused),
        cmocka_unit_test(many_add_while_many_run),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
