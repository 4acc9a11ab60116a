#include "tests/support/support.h"

#include <pthread.h>
#include <stdatomic.h>
#include <unistd.h>

#include "server/http/offload.h"

enum { TASKS = 1000 };

static void count(void *context)
{
    atomic_fetch_add((atomic_int *)context, 1);
}

static void every_task_runs_once_before_the_end(void **state)
{
    (void)state;
    static struct offload_task tasks[TASKS];
    static atomic_int counts[TASKS];
    struct offload *offload;
    struct server_problem problem = {0};
    assert_true(offload_start(4, &offload, &problem));
    for (int i = 0; i < TASKS; i++) {
        tasks[i] = (struct offload_task){.run = count, .context = &counts[i]};
        assert_true(offload_submit(offload, &tasks[i]));
    }
    offload_stop(offload);
    for (int i = 0; i < TASKS; i++)
        assert_int_equal(atomic_load(&counts[i]), 1);
}

struct gate {
    pthread_barrier_t barrier;
};

static void pass(void *context)
{
    pthread_barrier_wait(&((struct gate *)context)->barrier);
}

/* Passes only when all of them are in at the same time. */
static void tasks_run_side_by_side(void **state)
{
    (void)state;
    enum { THREADS = 4 };
    struct offload_task tasks[THREADS];
    struct gate gate;
    struct offload *offload;
    struct server_problem problem = {0};
    pthread_barrier_init(&gate.barrier, NULL, THREADS);
    assert_true(offload_start(THREADS, &offload, &problem));
    for (int i = 0; i < THREADS; i++) {
        tasks[i] = (struct offload_task){.run = pass, .context = &gate};
        assert_true(offload_submit(offload, &tasks[i]));
    }
    offload_stop(offload);
    pthread_barrier_destroy(&gate.barrier);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_task_runs_once_before_the_end),
        cmocka_unit_test(tasks_run_side_by_side),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
