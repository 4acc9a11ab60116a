/* Times are given room: a loaded machine is late, but never early. */
#include "tests/support/support.h"

#include <stdatomic.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/http/deadlines.h"

struct shot {
    struct deadline deadline;
    atomic_int fired;
    _Atomic int64_t at_ms;
};

static void fire(void *context)
{
    struct shot *shot = context;
    atomic_store(&shot->at_ms, clock_monotonic_ms());
    atomic_fetch_add(&shot->fired, 1);
}

static struct shot shot_of(enum deadline_kind kind)
{
    return (struct shot){.deadline = {.kind = kind, .fire = fire}};
}

static void wait_fired(struct shot *shot)
{
    for (int i = 0; i < 10000 && atomic_load(&shot->fired) == 0; i++)
        usleep(1000);
    assert_int_equal(atomic_load(&shot->fired), 1);
}

static struct deadlines *start(void)
{
    struct deadlines *deadlines;
    struct server_problem problem = {0};
    assert_true(deadlines_start(&deadlines, &problem));
    return deadlines;
}

static void each_fires_once_and_not_early(void **state)
{
    (void)state;
    static const int delays_ms[] = {60, 10, 0, 30};
    struct deadlines *deadlines = start();
    struct shot shots[4];
    int64_t begun_ms = clock_monotonic_ms();
    for (int i = 0; i < 4; i++) {
        shots[i] = shot_of(DEADLINE_WAIT);
        shots[i].deadline.context = &shots[i];
        deadlines_add(deadlines, &shots[i].deadline, delays_ms[i]);
    }
    for (int i = 0; i < 4; i++) {
        wait_fired(&shots[i]);
        assert_true(atomic_load(&shots[i].at_ms) - begun_ms >= delays_ms[i]);
        deadlines_remove(deadlines, &shots[i].deadline);
    }
    deadlines_stop(deadlines);
}

static void removed_ones_do_not_fire(void **state)
{
    (void)state;
    struct deadlines *deadlines = start();
    struct shot shots[3], last = shot_of(DEADLINE_WAIT);
    for (int i = 0; i < 3; i++) {
        shots[i] = shot_of(DEADLINE_WAIT);
        shots[i].deadline.context = &shots[i];
        deadlines_add(deadlines, &shots[i].deadline, 60000);
    }
    deadlines_remove(deadlines,
                     &shots[1].deadline); /* from the middle, the end, the front */
    deadlines_remove(deadlines, &shots[0].deadline);
    deadlines_remove(deadlines, &shots[2].deadline);
    deadlines_remove(deadlines, &shots[2].deadline);
    last.deadline.context = &last;
    deadlines_add(deadlines, &last.deadline, 0);
    wait_fired(&last);
    deadlines_fire_all(deadlines, DEADLINE_WORK);
    usleep(20000);
    for (int i = 0; i < 3; i++)
        assert_int_equal(atomic_load(&shots[i].fired), 0);
    deadlines_stop(deadlines);
}

static void stopping_wakes_waits_first_and_work_later(void **state)
{
    (void)state;
    struct deadlines *deadlines = start();
    struct shot wait = shot_of(DEADLINE_WAIT), work = shot_of(DEADLINE_WORK),
                late = shot_of(DEADLINE_WAIT);
    wait.deadline.context = &wait;
    work.deadline.context = &work;
    late.deadline.context = &late;
    deadlines_add(deadlines, &wait.deadline, 60000);
    deadlines_add(deadlines, &work.deadline, 60000);
    deadlines_fire_all(deadlines, DEADLINE_WAIT);
    wait_fired(&wait);
    assert_int_equal(atomic_load(&work.fired), 0);
    deadlines_add(deadlines, &late.deadline, 60000);
    assert_int_equal(atomic_load(&late.fired), 1); /* at once, on this thread */
    deadlines_fire_all(deadlines, DEADLINE_WORK);
    wait_fired(&work);
    deadlines_stop(deadlines);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_fires_once_and_not_early),
        cmocka_unit_test(removed_ones_do_not_fire),
        cmocka_unit_test(stopping_wakes_waits_first_and_work_later),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
