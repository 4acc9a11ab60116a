/** Children that give something up, and what then becomes of them. */
#ifndef TESTS_ANALYSIS_WORKER_CONFINED_H
#define TESTS_ANALYSIS_WORKER_CONFINED_H

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "analysis/worker/confine.h"
#include "tests/support/support.h"

/* What the child had before: an empty file, both ends of a socket, its parent. */
struct confined {
    int file, ends[2];
    pid_t parent;
};

typedef bool confined_enter(void);

static inline bool confined_by_all(void)
{
    struct problem problem = {0};
    return confine_enter(&problem);
}

/* How a child ended that entered and then ran the attempt, whose value is its exit
 * status: 100 where it could not even enter. */
static inline int confined_status(confined_enter *enter,
                                  int (*attempt)(const struct confined *confined))
{
    struct confined confined = {.parent = getpid()};
    confined.file = memfd_create("file", MFD_CLOEXEC);
    assert_true(confined.file >= 0);
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM, 0, confined.ends), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0 || !enter())
            _exit(100);
        _exit(attempt(&confined));
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    close(confined.file);
    close(confined.ends[0]);
    close(confined.ends[1]);
    return status;
}

/* The attempt gives the number of the first thing it found wrong, or 0. */
static inline void assert_allowed(confined_enter *enter,
                                  int (*attempt)(const struct confined *confined))
{
    int status = confined_status(enter, attempt);
    if (WIFSIGNALED(status))
        print_error("killed by signal %d\n", WTERMSIG(status));
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
}

static inline void assert_killed(confined_enter *enter,
                                 int (*attempt)(const struct confined *confined))
{
    int status = confined_status(enter, attempt);
    if (WIFEXITED(status))
        print_error("lived, with exit status %d\n", WEXITSTATUS(status));
    assert_true(WIFSIGNALED(status));
    assert_int_equal(WTERMSIG(status), SIGSYS);
}

#endif
