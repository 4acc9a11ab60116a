/* What Landlock takes away by itself, without the filter of system calls; by the
 * kernel's documentation of it. */
#include "analysis/worker/confine_files.h"

#include <netinet/in.h>
#include <seccomp.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>

#include <linux/landlock.h>

#include "tests/analysis/worker/confined.h"

static long version(void)
{
    return syscall(SYS_landlock_create_ruleset, NULL, 0, LANDLOCK_CREATE_RULESET_VERSION);
}

static bool refused(int result)
{
    return result == -1 && errno == EACCES;
}

/* Sanitizers go on reading: confine.h. */
static int reaches_no_file(const struct confined *confined)
{
    char path[64];
    snprintf(path, sizeof path, "/tmp/residuum-confined-%d", (int)getpid());
    if (version() < 1)
        return 0; /* such a kernel is the next test's */
    if (!CONFINE_SANITIZED && !refused(open("/etc/passwd", O_RDONLY | O_CLOEXEC)))
        return 1;
    if (!CONFINE_SANITIZED && !refused(open("/", O_RDONLY | O_DIRECTORY | O_CLOEXEC)))
        return 2;
    if (!refused(open("/dev/null", O_WRONLY | O_CLOEXEC)))
        return 3;
    if (!refused(open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600)) ||
        !refused(mkdir(path, 0700)) || !refused(symlink("/", path)))
        return 4;
    if (!refused(execl("/bin/true", "true", (char *)NULL)))
        return 5;
    return write(confined->file, "x", 1) == 1 && ftruncate(confined->file, 0) == 0 ? 0
                                                                                   : 6;
}

static int reaches_nobody(const struct confined *confined)
{
    struct sockaddr_in loopback = {.sin_family = AF_INET,
                                   .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int end = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (version() >= 4 &&
        !refused(bind(end, (struct sockaddr *)&loopback, sizeof loopback)))
        return 1;
    if (version() >= 6 && (kill(confined->parent, 0) != -1 || errno != EPERM))
        return 2;
    return kill(getpid(), 0) == 0 ? 0 : 3;
}

static void nothing_is_within_reach(void **state)
{
    (void)state;
    assert_allowed(confine_files_enter, reaches_no_file);
    assert_allowed(confine_files_enter, reaches_nobody);
}

/* A kernel before 5.13 answers ENOSYS; one where Landlock is not chosen, EOPNOTSUPP. */
static bool enter_on_an_older_kernel(int error)
{
    scmp_filter_ctx filter = seccomp_init(SCMP_ACT_ALLOW);
    bool old = filter &&
               seccomp_rule_add(filter, SCMP_ACT_ERRNO((uint32_t)error),
                                SCMP_SYS(landlock_create_ruleset), 0) == 0 &&
               seccomp_load(filter) == 0;
    seccomp_release(filter);
    return old && version() == -1 && confine_files_enter();
}

static bool enter_without_the_call(void)
{
    return enter_on_an_older_kernel(ENOSYS);
}

static bool enter_without_the_module(void)
{
    return enter_on_an_older_kernel(EOPNOTSUPP);
}

static int reaches_files(const struct confined *confined)
{
    (void)confined;
    return open("/dev/null", O_WRONLY | O_CLOEXEC) >= 0 ? 0 : 1;
}

static void a_kernel_without_it_is_no_failure(void **state)
{
    (void)state;
    assert_allowed(enter_without_the_call, reaches_files);
    assert_allowed(enter_without_the_module, reaches_files);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_within_reach),
        cmocka_unit_test(a_kernel_without_it_is_no_failure),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
