#include "analysis/worker/confine.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <unistd.h>

#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include "tests/support/support.h"

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
enum { SANITIZED = 1 };
#else
enum { SANITIZED = 0 };
#endif

/* Runs the check in a child that confined itself; the check gives the number of the first
 * thing it found wrong, or 0. */
static void assert_confined(int (*check)(void))
{
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct problem problem = {0};
        _exit(confine_enter(&problem) ? check() : 100);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
}

static bool limit_is(__rlimit_resource_t resource, rlim_t most)
{
    struct rlimit limit;
    return getrlimit(resource, &limit) == 0 && limit.rlim_cur <= most &&
           limit.rlim_max <= most;
}

static int flags_are_set(void)
{
    int death = 0;
    if (prctl(PR_GET_PDEATHSIG, &death) != 0 || death != SIGKILL)
        return 1;
    if (!SANITIZED && prctl(PR_GET_DUMPABLE) != 0)
        return 2;
    if (prctl(PR_GET_NO_NEW_PRIVS, 0, 0, 0, 0) != 1)
        return 3;
    if (getpriority(PRIO_PROCESS, 0) < CONFINE_NICE)
        return 4;
    if (!limit_is(RLIMIT_CORE, 0))
        return 5;
    if (!limit_is(RLIMIT_NOFILE, CONFINE_DESCRIPTORS))
        return 6;
    if (!limit_is(RLIMIT_FSIZE, CONFINE_FILE_BYTES))
        return 7;
    if (!SANITIZED && !limit_is(RLIMIT_AS, CONFINE_MEMORY_BYTES))
        return 8;
    return 0;
}

static int too_many_descriptors_fail(void)
{
    for (int i = 0; i < CONFINE_DESCRIPTORS + 1; i++)
        if (open("/dev/null", O_RDONLY | O_CLOEXEC) < 0)
            return errno == EMFILE ? 0 : 1;
    return 2;
}

/* Fails the write; the signal that would kill is ignored. */
static int file_over_its_limit_fails(void)
{
    int file = memfd_create("test", MFD_CLOEXEC);
    if (file < 0 || lseek(file, CONFINE_FILE_BYTES, SEEK_SET) != CONFINE_FILE_BYTES)
        return 1;
    return write(file, "x", 1) == -1 && errno == EFBIG ? 0 : 2;
}

static int memory_over_its_limit_fails(void)
{
    void *memory = mmap(NULL, CONFINE_MEMORY_BYTES, PROT_READ | PROT_WRITE,
                        MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    return memory == MAP_FAILED && errno == ENOMEM ? 0 : 1;
}

static void flags_and_limits_are_set(void **state)
{
    (void)state;
    assert_confined(flags_are_set);
}

static void limits_hold(void **state)
{
    (void)state;
    assert_confined(too_many_descriptors_fail);
    assert_confined(file_over_its_limit_fails);
    if (!SANITIZED)
        assert_confined(memory_over_its_limit_fails);
}

/* A grandchild confined like a worker dies with its parent: its end of the pipe closes.
 */
static void worker_dies_with_its_parent(void **state)
{
    (void)state;
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    pid_t parent = fork();
    assert_true(parent >= 0);
    if (parent == 0) {
        pid_t worker = fork();
        if (worker == 0) {
            struct problem problem = {0};
            if (!confine_enter(&problem) || write(ends[1], "x", 1) != 1)
                _exit(1);
            for (;;)
                pause();
        }
        char ready;
        close(ends[1]);
        _exit(read(ends[0], &ready, 1) == 1 ? 0 : 1);
    }
    close(ends[1]);
    int status;
    assert_int_equal(waitpid(parent, &status, 0), parent);
    assert_int_equal(WEXITSTATUS(status), 0);
    char byte;
    assert_int_equal(read(ends[0], &byte, 1), 0);
    close(ends[0]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(flags_and_limits_are_set),
        cmocka_unit_test(limits_hold),
        cmocka_unit_test(worker_dies_with_its_parent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
