#include "analysis/worker/confine.h"

#include <errno.h>
#include <signal.h>
#include <string.h>

#include <sys/prctl.h>
#include <sys/resource.h>

#include "analysis/worker/confine_calls.h"
#include "analysis/worker/confine_files.h"

static bool refused(struct problem *problem, const char *what)
{
    return problem_set(problem, PROBLEM_IO, NULL, "The worker could not set its %s: %s.",
                       what, strerror(errno));
}

static bool set_limit(int resource, long long most)
{
    struct rlimit now;
    if (getrlimit((__rlimit_resource_t)resource, &now) != 0)
        return false;
    rlim_t limit = (rlim_t)most < now.rlim_max ? (rlim_t)most : now.rlim_max;
    return setrlimit((__rlimit_resource_t)resource, &(struct rlimit){limit, limit}) == 0;
}

bool confine_enter(struct problem *problem)
{
    if (prctl(PR_SET_PDEATHSIG, SIGKILL) != 0)
        return refused(problem, "death signal");
    if (!CONFINE_SANITIZED && prctl(PR_SET_DUMPABLE, 0) != 0)
        return refused(problem, "protection against tracing");
    if (!set_limit(RLIMIT_CORE, 0))
        return refused(problem, "limit of core files");
    if (!set_limit(RLIMIT_NOFILE, CONFINE_DESCRIPTORS))
        return refused(problem, "limit of descriptors");
    if (!set_limit(RLIMIT_FSIZE, CONFINE_FILE_BYTES))
        return refused(problem, "limit of file sizes");
    if (!CONFINE_SANITIZED && !set_limit(RLIMIT_AS, CONFINE_MEMORY_BYTES))
        return refused(problem, "limit of memory");
    /* A file over the limit shall fail the write, not kill the worker. */
    if (signal(SIGXFSZ, SIG_IGN) == SIG_ERR)
        return refused(problem, "handling of SIGXFSZ");
    if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0)
        return refused(problem, "refusal of privileges");
    if (setpriority(PRIO_PROCESS, 0, CONFINE_NICE) != 0 && errno != EACCES)
        return refused(problem, "priority");
    if (!confine_files_enter())
        return refused(problem, "rule set of files");
    /* Last: the calls above are among those that it forbids. */
    if (!confine_calls_enter())
        return refused(problem, "filter of system calls");
    return true;
}
