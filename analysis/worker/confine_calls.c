#include "analysis/worker/confine_calls.h"

#include <errno.h>
#include <unistd.h>

#include <seccomp.h>
#include <sys/mman.h>

#include "analysis/worker/confine.h"

/* What an analysis was seen to call, and what the C library falls back to where the
 * kernel gives no faster way (gettimeofday, time) or for the report of a failed assertion
 * (writev). sysinfo is qsort's. */
static const int harmless[] = {
    /* the descriptors it was given */
    SCMP_SYS(read), SCMP_SYS(pread64), SCMP_SYS(readv), SCMP_SYS(lseek), SCMP_SYS(write),
    SCMP_SYS(pwrite64), SCMP_SYS(writev), SCMP_SYS(fstat), SCMP_SYS(newfstatat),
    SCMP_SYS(close), SCMP_SYS(sendmsg), SCMP_SYS(recvmsg), SCMP_SYS(poll),
    SCMP_SYS(ppoll),
    /* memory */
    SCMP_SYS(brk), SCMP_SYS(munmap), SCMP_SYS(mremap), SCMP_SYS(madvise),
    SCMP_SYS(sysinfo),
    /* time, and what is known of itself */
    SCMP_SYS(clock_gettime), SCMP_SYS(gettimeofday), SCMP_SYS(time),
    SCMP_SYS(clock_nanosleep), SCMP_SYS(restart_syscall), SCMP_SYS(getrandom),
    SCMP_SYS(getpid), SCMP_SYS(gettid), SCMP_SYS(sched_getaffinity),
    SCMP_SYS(sched_yield), SCMP_SYS(futex), SCMP_SYS(rseq), SCMP_SYS(set_robust_list),
    /* its end */
    SCMP_SYS(rt_sigaction), SCMP_SYS(rt_sigprocmask), SCMP_SYS(rt_sigreturn),
    SCMP_SYS(exit), SCMP_SYS(exit_group)};

/* What is killed under sanitizers, where all else is allowed: they end by cloning the
 * process, to look for what was never freed. */
static const int reaching_out[] = {
    SCMP_SYS(socket),   SCMP_SYS(socketpair),    SCMP_SYS(connect),  SCMP_SYS(bind),
    SCMP_SYS(listen),   SCMP_SYS(accept),        SCMP_SYS(accept4),  SCMP_SYS(execve),
    SCMP_SYS(execveat), SCMP_SYS(fork),          SCMP_SYS(vfork),    SCMP_SYS(unlink),
    SCMP_SYS(unlinkat), SCMP_SYS(rename),        SCMP_SYS(renameat), SCMP_SYS(renameat2),
    SCMP_SYS(mount),    SCMP_SYS(chroot),        SCMP_SYS(setns),    SCMP_SYS(unshare),
    SCMP_SYS(bpf),      SCMP_SYS(io_uring_setup)};

/* The functions of libseccomp return 0 or a negative error number. */
static int add_all(scmp_filter_ctx filter, uint32_t action, const int *calls,
                   size_t count)
{
    int error = 0;
    for (size_t i = 0; i < count && error == 0; i++)
        error = seccomp_rule_add(filter, action, calls[i], 0);
    return error;
}

/* Memory never becomes code; a failed assertion ends this process and no other; what the
 * libraries only try fails as it does where there is no such file or terminal. */
static int add_conditions(scmp_filter_ctx filter)
{
    const struct scmp_arg_cmp not_code = {2, SCMP_CMP_MASKED_EQ, PROT_EXEC, 0};
    const struct scmp_arg_cmp own = {0, SCMP_CMP_EQ, (scmp_datum_t)getpid(), 0};
    int error = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(mmap), 1, not_code);
    if (error == 0)
        error = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(mprotect), 1, not_code);
    if (error == 0)
        error = seccomp_rule_add(filter, SCMP_ACT_ALLOW, SCMP_SYS(tgkill), 1, own);
    if (error == 0)
        error = seccomp_rule_add(filter, SCMP_ACT_ERRNO(EACCES), SCMP_SYS(open), 0);
    if (error == 0)
        error = seccomp_rule_add(filter, SCMP_ACT_ERRNO(EACCES), SCMP_SYS(openat), 0);
    if (error == 0)
        error = seccomp_rule_add(filter, SCMP_ACT_ERRNO(ENOTTY), SCMP_SYS(ioctl), 0);
    return error;
}

static int add_rules(scmp_filter_ctx filter)
{
    if (CONFINE_SANITIZED)
        return add_all(filter, SCMP_ACT_KILL_PROCESS, reaching_out,
                       sizeof reaching_out / sizeof reaching_out[0]);
    int error =
        add_all(filter, SCMP_ACT_ALLOW, harmless, sizeof harmless / sizeof harmless[0]);
    return error == 0 ? add_conditions(filter) : error;
}

bool confine_calls_enter(void)
{
    scmp_filter_ctx filter =
        seccomp_init(CONFINE_SANITIZED ? SCMP_ACT_ALLOW : SCMP_ACT_KILL_PROCESS);
    if (!filter) {
        errno = ENOMEM;
        return false;
    }
    int error = seccomp_attr_set(filter, SCMP_FLTATR_ACT_BADARCH, SCMP_ACT_KILL_PROCESS);
    if (error == 0)
        error = add_rules(filter);
    if (error == 0)
        error = seccomp_load(filter);
    seccomp_release(filter);
    errno = -error;
    return error == 0;
}
