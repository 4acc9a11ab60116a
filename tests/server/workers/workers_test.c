/* Outcomes, replacement and back-off: expected as workers.h promises. Every test ends by
 * stopping its pool and checking that no child and no descriptor is left. */
#include "server/workers/workers.h"

#include <dirent.h>
#include <pthread.h>
#include <sys/mman.h>
#include <sys/wait.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/workers/slot.h"
#include "tests/server/workers/fake_worker.h"
#include "tests/support/support.h"

struct pool {
    struct workers *workers;
    int result;
    int descriptors_before;
};

static int open_descriptors(void)
{
    int count = 0;
    DIR *folder = opendir("/proc/self/fd");
    assert_non_null(folder);
    while (readdir(folder) != NULL)
        count++;
    closedir(folder);
    return count;
}

static struct pool open_pool_of(const char *program, int count)
{
    struct pool pool = {.descriptors_before = open_descriptors()};
    struct workers_config config = {.program = program, .count = count};
    struct server_problem problem = {0};
    assert_true(workers_start(&config, &pool.workers, &problem));
    pool.result = memfd_create("result", MFD_CLOEXEC);
    return pool;
}

static struct pool open_pool(int count)
{
    return open_pool_of("/proc/self/exe", count);
}

static void close_pool(struct pool *pool)
{
    workers_stop(pool->workers);
    close(pool->result);
    assert_int_equal(open_descriptors(), pool->descriptors_before);
    assert_int_equal(waitpid(-1, NULL, WNOHANG), -1);
    assert_int_equal(errno, ECHILD);
}

static json_t *measure_request(const char *act, const char *path)
{
    return json_pack("{s:s, s:s, s:{s:s, s:s*}}", "request", "measure", "measurement",
                     "distortion", "settings", "act", act, "path", path);
}

struct job {
    struct pool *pool;
    const char *act, *path;
    int deadline_s;
    const atomic_bool *cancel;
    enum workers_outcome outcome;
    struct server_problem problem;
};

static void run_job(struct job *job)
{
    json_t *request = measure_request(job->act, job->path), *answer = NULL;
    struct workers_call call = {.class = WORKERS_JOB,
                                .request = request,
                                .descriptors = {-1, job->pool->result},
                                .deadline_s = job->deadline_s ? job->deadline_s : 20,
                                .cancel = job->cancel};
    job->outcome = workers_run(job->pool->workers, &call, &answer, &job->problem);
    assert_int_equal(answer != NULL, job->outcome == WORKERS_DONE);
    json_decref(answer);
    json_decref(request);
}

static enum workers_outcome run_act(struct pool *pool, const char *act)
{
    struct job job = {.pool = pool, .act = act};
    run_job(&job);
    return job.outcome;
}

static void *job_thread(void *context)
{
    run_job(context);
    return NULL;
}

/** The process that serves this class. */
static int ask_pid(struct pool *pool, enum workers_class class)
{
    json_t *request = json_pack("{s:s}", "request", "inspect"), *answer = NULL;
    struct workers_call call = {
        .class = class, .request = request, .descriptors = {-1, -1}, .deadline_s = 20};
    assert_int_equal(workers_run(pool->workers, &call, &answer, NULL), WORKERS_DONE);
    int pid = (int)json_integer_value(
        json_object_get(json_object_get(answer, "format"), "pid"));
    json_decref(answer);
    json_decref(request);
    return pid;
}

static void wait_alive(struct pool *pool, int want)
{
    for (int i = 0; i < 4000 && workers_status(pool->workers).alive != want; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(pool->workers).alive, want);
}

static void one_process_serves_many_jobs(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    assert_int_equal(run_act(&pool, "done"), WORKERS_DONE);
    assert_int_equal(run_act(&pool, "progress"), WORKERS_DONE);
    assert_int_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).busy, 0);
    close_pool(&pool);
}

static void inspect_has_a_worker_of_its_own(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    wait_alive(&pool, 2);
    atomic_bool cancel = false;
    struct job job = {.pool = &pool, .act = "hang", .cancel = &cancel};
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, job_thread, &job), 0);
    while (workers_status(pool.workers).busy == 0)
        poll(NULL, 0, 5);
    assert_true(ask_pid(&pool, WORKERS_INSPECT) > 0);
    assert_int_equal(workers_status(pool.workers).busy, 1);
    atomic_store(&cancel, true);
    pthread_join(thread, NULL);
    assert_int_equal(job.outcome, WORKERS_CANCELLED);
    /* the one that was cancelled was killed and is replaced */
    wait_alive(&pool, 2);
    assert_int_equal(run_act(&pool, "done"), WORKERS_DONE);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    close_pool(&pool);
}

static void a_crash_is_told_and_the_worker_replaced(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    struct job job = {.pool = &pool, .act = "crash"};
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_CRASHED);
    assert_int_equal(job.problem.code, SERVER_PROBLEM_WORKER_CRASHED);
    assert_int_not_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).crashes, 1);
    close_pool(&pool);
}

static void nonsense_counts_as_a_crash(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    assert_int_equal(run_act(&pool, "empty-result"), WORKERS_CRASHED);
    assert_int_not_equal(ask_pid(&pool, WORKERS_JOB), pid);
    close_pool(&pool);
}

static enum workers_outcome run_saying(struct pool *pool, const char *code)
{
    char text[200];
    snprintf(text, sizeof text,
             "{\"answer\":\"problem\",\"code\":\"%s\",\"field\":null,\"detail\":\"d\"}",
             code);
    json_t *request = measure_request("say", NULL), *answer = NULL;
    json_object_set_new(json_object_get(request, "settings"), "text", json_string(text));
    struct workers_call call = {
        .request = request, .descriptors = {-1, pool->result}, .deadline_s = 20};
    enum workers_outcome outcome = workers_run(pool->workers, &call, &answer, NULL);
    json_decref(request);
    return outcome;
}

static void after_a_refusal_the_worker_stays(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    assert_int_equal(run_saying(&pool, "not_measurable"), WORKERS_REFUSED);
    assert_int_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(run_saying(&pool, "out_of_memory"), WORKERS_OUT_OF_MEMORY);
    assert_int_not_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    close_pool(&pool);
}

static void a_hanging_worker_is_killed_at_its_deadline(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    struct job job = {.pool = &pool, .act = "hang", .deadline_s = 1};
    int64_t start_ms = clock_monotonic_ms();
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_TIMED_OUT);
    assert_between((double)(clock_monotonic_ms() - start_ms), 1000, 4000);
    assert_int_not_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(kill(pid, 0), -1); /* reaped, not a zombie */
    assert_int_equal(workers_status(pool.workers).timeouts, 1);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    close_pool(&pool);
}

/* `act` leaves a worker that dies or speaks after its job: that costs the next job
 * nothing. */
static void an_idle_worker_found_dead_costs_no_attempt(void **state)
{
    const char *act = *state;
    struct pool pool = open_pool(1);
    for (int i = 0; i < 10; i++) {
        assert_int_equal(run_act(&pool, act), WORKERS_DONE);
        assert_int_equal(run_act(&pool, "done"), WORKERS_DONE);
    }
    close_pool(&pool);
}

static void the_death_of_an_idle_worker_is_noticed_at_once(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    wait_alive(&pool, 2);
    kill(pid, SIGKILL);
    for (int i = 0; i < 4000 && workers_status(pool.workers).crashes == 0; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(pool.workers).crashes, 1);
    wait_alive(&pool, 2); /* replaced although no call asked for it */
    close_pool(&pool);
}

static void a_worker_is_retired_after_its_share(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    int pid = ask_pid(&pool, WORKERS_JOB);
    for (int i = 1; i < LIMIT_WORKER_JOBS; i++)
        assert_int_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).retired, 1);
    assert_int_not_equal(ask_pid(&pool, WORKERS_JOB), pid);
    assert_int_equal(workers_status(pool.workers).crashes, 0);
    close_pool(&pool);
}

/* Back-off of 100, 200, 400 … ms: within the 2 s that the call waits (6 s on a slow
 * machine) each worker starts at t = 0, 0.1, 0.3, 0.7, 1.5, 3.1 s at the earliest. */
static void a_worker_that_dies_at_its_start_is_not_hammered(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "dies-at-start", program));
    struct pool pool = open_pool_of(program, 1);
    struct job job = {.pool = &pool, .act = "done", .deadline_s = 2};
    int64_t start_ms = clock_monotonic_ms();
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED); /* no attempt */
    assert_int_equal(job.problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(job.problem.detail, "2 s"));
    assert_between((double)(clock_monotonic_ms() - start_ms), 2000, 6000);
    assert_between((double)workers_status(pool.workers).crashes, 2, 2 * 6);
    assert_int_equal(workers_status(pool.workers).alive, 0);
    close_pool(&pool);
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
    struct pool pool = open_pool_of(program, 1);
    for (int i = 0; i < 4000 && workers_status(pool.workers).crashes < 8; i++)
        poll(NULL, 0, 5);
    assert_between((double)(clock_monotonic_ms() - start_ms), 700, 20000);
    close_pool(&pool);
}

static void a_worker_that_hangs_at_its_start_is_no_hindrance_to_stopping(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "hangs-at-start", program));
    struct pool pool = open_pool_of(program, 2);
    struct job job = {.pool = &pool, .act = "done", .deadline_s = 1};
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED);
    int64_t start_ms = clock_monotonic_ms();
    close_pool(&pool);
    assert_between((double)(clock_monotonic_ms() - start_ms), 0, 2000);
}

static void a_missing_program_is_refused_at_the_start(void **state)
{
    (void)state;
    int before = open_descriptors();
    struct workers_config config = {.program = "/nowhere/residuum-worker", .count = 2};
    struct workers *workers = NULL;
    struct server_problem problem = {0};
    assert_false(workers_start(&config, &workers, &problem));
    assert_null(workers);
    assert_non_null(strstr(problem.detail, "/nowhere/residuum-worker"));
    assert_int_equal(open_descriptors(), before);
}

static void a_program_that_comes_back_is_started_again(void **state)
{
    (void)state;
    char folder[PATH_MAX], program[PATH_MAX];
    support_temporary_folder(folder);
    assert_true(fake_worker_link(folder, "worker", program));
    struct pool pool = open_pool_of(program, 1);
    wait_alive(&pool, 2);
    int pid = ask_pid(&pool, WORKERS_JOB);
    assert_int_equal(unlink(program), 0);
    kill(pid, SIGKILL);
    wait_alive(&pool, 1);
    struct job job = {.pool = &pool, .act = "done", .deadline_s = 1};
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_STOPPED);
    assert_true(fake_worker_link(folder, "worker", program));
    wait_alive(&pool, 2);
    assert_int_equal(run_act(&pool, "done"), WORKERS_DONE);
    close_pool(&pool);
}

static void stopping_ends_calls_under_way_and_waiting(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    wait_alive(&pool, 2);
    struct job jobs[3];
    pthread_t threads[3];
    for (int i = 0; i < 3; i++) {
        jobs[i] = (struct job){.pool = &pool, .act = "hang"};
        assert_int_equal(pthread_create(&threads[i], NULL, job_thread, &jobs[i]), 0);
    }
    while (workers_status(pool.workers).busy == 0)
        poll(NULL, 0, 5);
    poll(NULL, 0, 50); /* the other two wait for the one worker */
    close_pool(&pool);
    for (int i = 0; i < 3; i++) {
        pthread_join(threads[i], NULL);
        assert_int_equal(jobs[i].outcome, WORKERS_STOPPED);
    }
}

static void a_cancelled_call_does_not_wait_for_a_worker(void **state)
{
    (void)state;
    struct pool pool = open_pool(1);
    atomic_bool cancel = true;
    struct job job = {.pool = &pool, .act = "done", .cancel = &cancel};
    run_job(&job);
    assert_int_equal(job.outcome, WORKERS_CANCELLED);
    close_pool(&pool);
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
        enum workers_outcome outcome = run_act(crowd->pool, acts[act]);
        crowd->done += outcome == (act == 2 ? WORKERS_CRASHED : WORKERS_DONE);
    }
    return NULL;
}

/* Eight threads, three workers, every fourth job a crash: each call gets its own outcome.
 */
static void many_callers_share_the_workers(void **state)
{
    (void)state;
    struct pool pool = open_pool(3);
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
    close_pool(&pool);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_process_serves_many_jobs),
        cmocka_unit_test(inspect_has_a_worker_of_its_own),
        cmocka_unit_test(a_crash_is_told_and_the_worker_replaced),
        cmocka_unit_test(nonsense_counts_as_a_crash),
        cmocka_unit_test(after_a_refusal_the_worker_stays),
        cmocka_unit_test(a_hanging_worker_is_killed_at_its_deadline),
        {"a worker that exits after its job costs no attempt",
         an_idle_worker_found_dead_costs_no_attempt, NULL, NULL, (void *)"exit-after"},
        {"a worker that speaks unasked costs no attempt",
         an_idle_worker_found_dead_costs_no_attempt, NULL, NULL, (void *)"chatter-after"},
        cmocka_unit_test(the_death_of_an_idle_worker_is_noticed_at_once),
        cmocka_unit_test(a_worker_is_retired_after_its_share),
        cmocka_unit_test(a_worker_that_dies_at_its_start_is_not_hammered),
        cmocka_unit_test(a_worker_that_dies_unused_is_not_hammered),
        cmocka_unit_test(a_worker_that_hangs_at_its_start_is_no_hindrance_to_stopping),
        cmocka_unit_test(a_missing_program_is_refused_at_the_start),
        cmocka_unit_test(a_program_that_comes_back_is_started_again),
        cmocka_unit_test(stopping_ends_calls_under_way_and_waiting),
        cmocka_unit_test(a_cancelled_call_does_not_wait_for_a_worker),
        cmocka_unit_test(many_callers_share_the_workers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
