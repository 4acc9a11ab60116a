/* Outcomes of calls and what becomes of the worker: expected as workers.h promises. */
#include "server/workers/workers.h"

#include <pthread.h>

#include "tests/server/workers/pool.h"

static void one_process_serves_many_jobs(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    assert_int_equal(pool_run(&pool, "done"), WORKERS_DONE);
    assert_int_equal(pool_run(&pool, "progress"), WORKERS_DONE);
    assert_int_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).busy, 0);
    pool_close(&pool);
}

static void inspect_has_a_worker_of_its_own(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    pool_wait_alive(&pool, 2);
    atomic_bool cancel = false;
    struct pool_job job = {.pool = &pool, .act = "hang", .cancel = &cancel};
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, pool_job_thread, &job), 0);
    while (workers_status(pool.workers).busy == 0)
        poll(NULL, 0, 5);
    assert_true(pool_pid(&pool, WORKERS_INSPECT) > 0);
    assert_int_equal(workers_status(pool.workers).busy, 1);
    atomic_store(&cancel, true);
    pthread_join(thread, NULL);
    assert_int_equal(job.outcome, WORKERS_CANCELLED);
    /* the one that was cancelled was killed and is replaced */
    pool_wait_alive(&pool, 2);
    assert_int_equal(pool_run(&pool, "done"), WORKERS_DONE);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    pool_close(&pool);
}

static void a_crash_is_told_and_the_worker_replaced(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    struct pool_job job = {.pool = &pool, .act = "crash"};
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_CRASHED);
    assert_int_equal(job.problem.code, SERVER_PROBLEM_WORKER_CRASHED);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).crashes, 1);
    pool_close(&pool);
}

static void a_violation_is_told_from_a_crash(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    struct pool_job job = {.pool = &pool, .act = "break-out"};
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_CONFINEMENT);
    assert_int_equal(job.problem.code, SERVER_PROBLEM_CONFINEMENT);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).violations, 1);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    pool_close(&pool);
}

/* Its job was done: the next one is served as if nothing had been, but it is counted. */
static void a_violation_after_the_job_is_counted(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    assert_int_equal(pool_run(&pool, "break-out-after"), WORKERS_DONE);
    for (int i = 0; i < 4000 && workers_status(pool.workers).violations == 0; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(pool.workers).violations, 1);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    assert_int_equal(pool_run(&pool, "done"), WORKERS_DONE);
    pool_close(&pool);
}

static void a_worker_that_hangs_up_is_a_crash(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int64_t start_ms = clock_monotonic_ms();
    assert_int_equal(pool_run(&pool, "hang-up"), WORKERS_CRASHED);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 4000);
    pool_close(&pool);
}

static void nonsense_counts_as_a_crash(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    assert_int_equal(pool_run(&pool, "empty-result"), WORKERS_CRASHED);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    pool_close(&pool);
}

static enum workers_outcome run_saying(struct pool *pool, const char *code)
{
    char text[200];
    snprintf(text, sizeof text,
             "{\"answer\":\"problem\",\"code\":\"%s\",\"field\":null,\"detail\":\"d\"}",
             code);
    json_t *request = pool_request("say", NULL), *answer = NULL;
    json_object_set_new(json_object_get(request, "settings"), "text", json_string(text));
    struct workers_call call = {
        .request = request, .descriptors = {-1, pool->result, -1}, .deadline_s = 20};
    enum workers_outcome outcome = workers_run(pool->workers, &call, &answer, NULL);
    json_decref(request);
    return outcome;
}

static void after_a_refusal_the_worker_stays(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    assert_int_equal(run_saying(&pool, "not_measurable"), WORKERS_REFUSED);
    assert_int_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(run_saying(&pool, "out_of_memory"), WORKERS_OUT_OF_MEMORY);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).out_of_memory, 1);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    pool_close(&pool);
}

static void a_hanging_worker_is_killed_at_its_deadline(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    struct pool_job job = {.pool = &pool, .act = "hang", .deadline_s = 1};
    int64_t start_ms = clock_monotonic_ms();
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_TIMED_OUT);
    assert_between((double)(clock_monotonic_ms() - start_ms), 1000, 4000);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(kill(pid, 0), -1); /* reaped, not a zombie */
    assert_int_equal(workers_status(pool.workers).timeouts, 1);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    pool_close(&pool);
}

/* `act` leaves a worker that dies or speaks after its job: that costs the next job
 * nothing. */
static void an_idle_worker_found_dead_costs_no_attempt(void **state)
{
    const char *act = *state;
    struct pool pool = pool_open(1);
    for (int i = 0; i < 10; i++) {
        assert_int_equal(pool_run(&pool, act), WORKERS_DONE);
        assert_int_equal(pool_run(&pool, "done"), WORKERS_DONE);
    }
    pool_close(&pool);
}

static void stopping_ends_calls_under_way_and_waiting(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    pool_wait_alive(&pool, 2);
    struct pool_job jobs[3];
    pthread_t threads[3];
    for (int i = 0; i < 3; i++) {
        jobs[i] = (struct pool_job){.pool = &pool, .act = "hang"};
        assert_int_equal(pthread_create(&threads[i], NULL, pool_job_thread, &jobs[i]), 0);
    }
    while (workers_status(pool.workers).busy == 0)
        poll(NULL, 0, 5);
    poll(NULL, 0, 50); /* the other two wait for the one worker */
    pool_close(&pool);
    for (int i = 0; i < 3; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(jobs[i].outcome, WORKERS_STOPPED);
    }
}

static void a_cancelled_call_does_not_wait_for_a_worker(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    atomic_bool cancel = true;
    struct pool_job job = {.pool = &pool, .act = "done", .cancel = &cancel};
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_CANCELLED);
    pool_close(&pool);
}

struct crowd {
    struct pool *pool;
    int number;
    int done;
};

static void *crowd_thread(void *context)
{
    static const char *const acts[] = {"done", "progress", "crash", "exit-after"};
    struct crowd *crowd = context;
    for (int i = 0; i < 12; i++) {
        int act = (i + crowd->number) % 4;
        enum workers_outcome outcome = pool_run(crowd->pool, acts[act]);
        crowd->done += outcome == (act == 2 ? WORKERS_CRASHED : WORKERS_DONE);
    }
    return NULL;
}

/* Eight threads, three workers, every fourth job a crash: each call gets its own outcome.
 */
static void many_callers_share_the_workers(void **state)
{
    (void)state;
    struct pool pool = pool_open(3);
    struct crowd crowd[8];
    pthread_t threads[8];
    for (int i = 0; i < 8; i++) {
        crowd[i] = (struct crowd){.pool = &pool, .number = i};
        assert_int_equal(pthread_create(&threads[i], NULL, crowd_thread, &crowd[i]), 0);
    }
    for (int i = 0; i < 8; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(crowd[i].done, 12);
    }
    assert_true(workers_status(pool.workers).crashes >= 24); /* 8 × 3, and the exits */
    pool_close(&pool);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_process_serves_many_jobs),
        cmocka_unit_test(inspect_has_a_worker_of_its_own),
        cmocka_unit_test(a_crash_is_told_and_the_worker_replaced),
        cmocka_unit_test(a_violation_is_told_from_a_crash),
        cmocka_unit_test(a_violation_after_the_job_is_counted),
        cmocka_unit_test(a_worker_that_hangs_up_is_a_crash),
        cmocka_unit_test(nonsense_counts_as_a_crash),
        cmocka_unit_test(after_a_refusal_the_worker_stays),
        cmocka_unit_test(a_hanging_worker_is_killed_at_its_deadline),
        {"a worker that exits after its job costs no attempt",
         an_idle_worker_found_dead_costs_no_attempt, NULL, NULL, (void *)"exit-after"},
        {"a worker that speaks unasked costs no attempt",
         an_idle_worker_found_dead_costs_no_attempt, NULL, NULL, (void *)"chatter-after"},
        cmocka_unit_test(stopping_ends_calls_under_way_and_waiting),
        cmocka_unit_test(a_cancelled_call_does_not_wait_for_a_worker),
        cmocka_unit_test(many_callers_share_the_workers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
