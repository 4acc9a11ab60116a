/* What a worker finds when it starts: expected as spawn.h promises. */
#include "server/workers/spawn.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>

#include "tests/server/workers/fake_worker.h"
#include "tests/support/support.h"

/** Starts this program as a worker, asks it to describe itself, and ends it. Gives its
 * answer. */
static json_t *ask_describe(struct spawn_process *process)
{
    struct server_problem problem = {0};
    assert_true(spawn_worker("/proc/self/exe", process, &problem));
    const char *request = "{\"request\":\"describe\"}";
    assert_int_equal(wire_send(process->socket, request, strlen(request), NULL, 0),
                     WIRE_OK);
    struct wire_frame frame;
    assert_int_equal(wire_receive(process->socket, 20000, &frame), WIRE_OK);
    json_t *answer = json_loadb(frame.json, frame.length, 0, NULL);
    wire_frame_free(&frame);
    assert_int_equal(shutdown(process->socket, SHUT_WR), 0);
    int status = -1;
    assert_int_equal(waitpid(process->pid, &status, 0), process->pid);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    close(process->socket);
    return answer;
}

static bool has_entry(const json_t *environment, const char *start)
{
    size_t index;
    const json_t *entry;
    json_array_foreach(environment, index, entry)
    {
        if (strncmp(json_string_value(entry), start, strlen(start)) == 0)
            return true;
    }
    return false;
}

static void the_environment_is_reduced(void **state)
{
    (void)state;
    setenv("HARBOUR_STREET_SECRET", "1", 1);
    setenv("LSAN_OPTIONS", "report_objects=0", 1);
    struct spawn_process process;
    json_t *answer = ask_describe(&process);
    const json_t *environment =
        json_object_get(json_object_get(answer, "engine"), "environment");
    assert_true(has_entry(environment, "PATH="));
    assert_true(has_entry(environment, "LANG=C"));
    assert_true(has_entry(environment, "MALLOC_ARENA_MAX=1"));
    assert_true(has_entry(environment, "LSAN_OPTIONS=report_objects=0"));
    assert_false(has_entry(environment, "HARBOUR_STREET_SECRET"));
    assert_false(has_entry(environment, "HOME="));
    json_decref(answer);
}

static void only_four_descriptors_are_open(void **state)
{
    (void)state;
    /* one that lacks close-on-exec does not get through either */
    int leak = fcntl(STDERR_FILENO, F_DUPFD, 50);
    assert_true(leak >= 50);
    struct spawn_process process;
    json_t *answer = ask_describe(&process);
    json_t *open_ones = json_object_get(json_object_get(answer, "engine"), "open");
    json_t *want = json_pack("[iiii]", 0, 1, 2, SPAWN_WORKER_DESCRIPTOR);
    assert_true(json_equal(open_ones, want));
    json_decref(want);
    json_decref(answer);
    close(leak);
}

static void the_worker_has_its_own_process_group(void **state)
{
    (void)state;
    struct spawn_process process;
    json_t *answer = ask_describe(&process);
    const json_t *engine = json_object_get(answer, "engine");
    assert_int_equal(json_integer_value(json_object_get(engine, "group")), process.pid);
    assert_int_equal(json_integer_value(json_object_get(engine, "pid")), process.pid);
    json_decref(answer);
}

static void our_end_is_close_on_exec(void **state)
{
    (void)state;
    struct spawn_process process;
    assert_true(spawn_worker("/proc/self/exe", &process, NULL));
    assert_true(fcntl(process.socket, F_GETFD) & FD_CLOEXEC);
    close(process.socket);
    assert_int_equal(waitpid(process.pid, NULL, 0), process.pid);
}

static void a_missing_program_is_told_with_its_path(void **state)
{
    (void)state;
    int next =
        dup(0); /* the lowest free number: the same after a failure without a leak */
    close(next);
    struct spawn_process process = {.pid = 4711};
    struct server_problem problem = {0};
    assert_false(spawn_worker("/nowhere/residuum-worker", &process, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "/nowhere/residuum-worker"));
    assert_non_null(strstr(problem.detail, "No such file"));
    assert_int_equal(process.pid, 4711);
    int after = dup(0);
    assert_int_equal(after, next);
    close(after);
    assert_int_equal(waitpid(-1, NULL, WNOHANG), -1); /* no child is left */
    assert_int_equal(errno, ECHILD);
}

int main(int argc, char **argv)
{
    if (argc == 3 && strcmp(argv[1], "--serve") == 0)
        return fake_worker(argc, argv);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_environment_is_reduced),
        cmocka_unit_test(only_four_descriptors_are_open),
        cmocka_unit_test(the_worker_has_its_own_process_group),
        cmocka_unit_test(our_end_is_close_on_exec),
        cmocka_unit_test(a_missing_program_is_told_with_its_path),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
