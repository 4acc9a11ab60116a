/** A pool whose workers are the test program itself, and jobs for it. Each test ends with
 *  pool_close, which checks that no child and no descriptor is left. */
#ifndef TESTS_SERVER_WORKERS_POOL_H
#define TESTS_SERVER_WORKERS_POOL_H

#include <dirent.h>
#include <sys/mman.h>
#include <sys/wait.h>

#include "server/base/clock.h"
#include "server/workers/workers.h"
#include "tests/server/workers/fake_worker.h"
#include "tests/support/support.h"

struct pool {
    struct workers *workers;
    int result;
    int descriptors_before;
};

static inline int pool_descriptors(void)
{
    int count = 0;
    DIR *folder = opendir("/proc/self/fd");
    assert_non_null(folder);
    while (readdir(folder) != NULL)
        count++;
    closedir(folder);
    return count;
}

static inline struct pool pool_open_of(const char *program, int count)
{
    struct pool pool = {.descriptors_before = pool_descriptors()};
    struct workers_config config = {.program = program, .count = count};
    struct server_problem problem = {0};
    assert_true(workers_start(&config, &pool.workers, &problem));
    pool.result = memfd_create("result", MFD_CLOEXEC);
    return pool;
}

static inline struct pool pool_open(int count)
{
    return pool_open_of("/proc/self/exe", count);
}

static inline void pool_close(struct pool *pool)
{
    workers_stop(pool->workers);
    close(pool->result);
    assert_int_equal(pool_descriptors(), pool->descriptors_before);
    assert_int_equal(waitpid(-1, NULL, WNOHANG), -1);
    assert_int_equal(errno, ECHILD);
}

static inline json_t *pool_request(const char *act, const char *path)
{
    return json_pack("{s:s, s:s, s:{s:s, s:s*}}", "request", "measure", "measurement",
                     "distortion", "settings", "act", act, "path", path);
}

struct pool_job {
    struct pool *pool;
    const char *act, *path;
    int deadline_s;
    const atomic_bool *cancel;
    enum workers_outcome outcome;
    struct server_problem problem;
};

static inline void pool_run_job(struct pool_job *job)
{
    json_t *request = pool_request(job->act, job->path), *answer = NULL;
    struct workers_call call = {.class = WORKERS_JOB,
                                .request = request,
                                .descriptors = {-1, job->pool->result, -1},
                                .deadline_s = job->deadline_s ? job->deadline_s : 20,
                                .cancel = job->cancel};
    job->outcome = workers_run(job->pool->workers, &call, &answer, &job->problem);
    assert_int_equal(answer != NULL, job->outcome == WORKERS_DONE);
    json_decref(answer);
    json_decref(request);
}

static inline enum workers_outcome pool_run(struct pool *pool, const char *act)
{
    struct pool_job job = {.pool = pool, .act = act};
    pool_run_job(&job);
    return job.outcome;
}

static inline void *pool_job_thread(void *context)
{
    pool_run_job(context);
    return NULL;
}

/** The process that serves this class. */
static inline int pool_pid(struct pool *pool, enum workers_class class)
{
    json_t *request = json_pack("{s:s}", "request", "describe"), *answer = NULL;
    struct workers_call call = {.class = class,
                                .request = request,
                                .descriptors = {-1, -1, -1},
                                .deadline_s = 20};
    assert_int_equal(workers_run(pool->workers, &call, &answer, NULL), WORKERS_DONE);
    int pid = (int)json_integer_value(
        json_object_get(json_object_get(answer, "engine"), "pid"));
    json_decref(answer);
    json_decref(request);
    return pid;
}

static inline void pool_wait_alive(struct pool *pool, int want)
{
    for (int i = 0; i < 4000 && workers_status(pool->workers).alive != want; i++)
        poll(NULL, 0, 5);
    assert_int_equal(workers_status(pool->workers).alive, want);
}

#endif
