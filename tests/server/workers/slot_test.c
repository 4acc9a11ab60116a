/* The life of a worker in its place: back-off, replacement, retirement; as slot.h
 * promises. */
#include "server/workers/slot.h"

#include "server/base/limits.h"
#include "tests/server/workers/pool.h"

static void the_death_of_an_idle_worker_is_noticed_at_once(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    pool_wait_alive(&pool, 2);
    kill(pid, SIGKILL);
    for (int i = 0; i < 4000 && workers_status(pool.workers).crashes == 0; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(pool.workers).crashes, 1);
    pool_wait_alive(&pool, 2); /* replaced although no call asked for it */
    pool_close(&pool);
}

static void a_worker_is_retired_after_its_share(void **state)
{
    (void)state;
    struct pool pool = pool_open(1);
    int pid = pool_pid(&pool, WORKERS_JOB);
    for (int i = 1; i < LIMIT_WORKER_JOBS; i++)
        assert_int_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).retired, 1);
    assert_int_not_equal(pool_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    pool_close(&pool);
}

/* Back-off of 100, 200, 400 … ms: within the 2 s that the call waits (6 s on a slow
 * machine) each worker starts at t = 0, 0.1, 0.3, 0.7, 1.5, 3.1 s at the earliest. */
static void a_worker_that_dies_at_its_start_is_not_hammered(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "dies-at-start", program));
    struct pool pool = pool_open_of(program, 1);
    struct pool_job job = {.pool = &pool, .act = "done", .deadline_s = 2};
    int64_t start_ms = clock_monotonic_ms();
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED); /* no attempt */
    assert_int_equal(job.problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(job.problem.detail, "2 s"));
    assert_between((double)(clock_monotonic_ms() - start_ms), 2000, 6000);
    assert_between((double)workers_status(pool.workers).crashes, 2, 2 * 6);
    assert_int_equal(workers_status(pool.workers).alive, 0);
    pool_close(&pool);
}

/* By the same back-off: of 8 deaths one of the two workers has died at least 4, after
 * starts at t = 0, 0.1, 0.3 and 0.7 s at the earliest. */
static void a_worker_that_dies_unused_is_not_hammered(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "exits-when-idle", program));

    int64_t start_ms = clock_monotonic_ms();
    struct pool pool = pool_open_of(program, 1);
    for (int i = 0; i < 4000 && workers_status(pool.workers).crashes < 8; i++)
        poll(NULL, 0, 5);
    assert_between((double)(clock_monotonic_ms() - start_ms), 700, 20000);
    pool_close(&pool);
}

static void a_worker_that_hangs_at_its_start_is_no_hindrance_to_stopping(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "hangs-at-start", program));
    struct pool pool = pool_open_of(program, 2);
    struct pool_job job = {.pool = &pool, .act = "done", .deadline_s = 1};
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED);
    int64_t start_ms = clock_monotonic_ms();
    pool_close(&pool);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 2000);
}

static void a_missing_program_is_refused_at_the_start(void **state)
{
    (void)state;
    int before = pool_descriptors();
    struct workers_config config = {.program = "/nowhere/residuum-worker", .count = 2};
    struct workers *workers = NULL;
    struct server_problem problem = {0};
    assert_false(workers_start(&config, &workers, &problem));
    assert_null(workers);
    assert_non_null(strstr(problem.detail, "/nowhere/residuum-worker"));
    assert_int_equal(pool_descriptors(), before);
}

static void a_program_that_comes_back_is_started_again(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "worker", program));
    struct pool pool = pool_open_of(program, 1);
    pool_wait_alive(&pool, 2);
    int pid = pool_pid(&pool, WORKERS_JOB);
    assert_int_equal(unlink(program), 0);
    kill(pid, SIGKILL);
    pool_wait_alive(&pool, 1);
    struct pool_job job = {.pool = &pool, .act = "done", .deadline_s = 1};
    pool_run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED);
    assert_true(fake_worker_link(folder, "worker", program));
    pool_wait_alive(&pool, 2);
    assert_int_equal(pool_run(&pool, "done"), WORKERS_DONE);
    pool_close(&pool);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_death_of_an_idle_worker_is_noticed_at_once),
        cmocka_unit_test(a_worker_is_retired_after_its_share),
        cmocka_unit_test(a_worker_that_dies_at_its_start_is_not_hammered),
        cmocka_unit_test(a_worker_that_dies_unused_is_not_hammered),
        cmocka_unit_test(a_worker_that_hangs_at_its_start_is_no_hindrance_to_stopping),
        cmocka_unit_test(a_missing_program_is_refused_at_the_start),
        cmocka_unit_test(a_program_that_comes_back_is_started_again),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
