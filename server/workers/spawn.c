#include "server/workers/spawn.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

extern char **environ;

enum { ENVIRONMENT_MAX = 8 };

/** Fills `ret` with the worker's environment, NULL at its end; the strings are borrowed.
 */
static void reduced_environment(char *ret[ENVIRONMENT_MAX])
{
    static const char *const kept[] = {
        "ASAN_OPTIONS=", "UBSAN_OPTIONS=", "TSAN_OPTIONS=", "LSAN_OPTIONS="};
    int count = 0;
    ret[count++] = (char *)"PATH=/usr/local/bin:/usr/bin:/bin";
    ret[count++] = (char *)"LANG=C";
    ret[count++] = (char *)"MALLOC_ARENA_MAX=1";
    for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++)
        for (char **entry = environ; entry && *entry; entry++)
            if (strncmp(*entry, kept[i], strlen(kept[i])) == 0) {
                ret[count++] = *entry;
                break;
            }
    ret[count] = NULL;
}

/** What happens to descriptors between fork and exec. Returns 0 or an errno. */
static int set_actions(posix_spawn_file_actions_t *actions, int socket)
{
    /* the socket first: it may itself be descriptor 0 or 1 in a daemon started without
     * them */
    int error =
        posix_spawn_file_actions_adddup2(actions, socket, SPAWN_WORKER_DESCRIPTOR);
    if (error == 0)
        error = posix_spawn_file_actions_addopen(actions, STDIN_FILENO, "/dev/null",
                                                 O_RDONLY, 0);
    if (error == 0)
        error = posix_spawn_file_actions_addopen(actions, STDOUT_FILENO, "/dev/null",
                                                 O_WRONLY, 0);
    if (error == 0)
        error = posix_spawn_file_actions_addclosefrom_np(actions,
                                                         SPAWN_WORKER_DESCRIPTOR + 1);
    return error;
}

static int set_attributes(posix_spawnattr_t *attributes)
{
    sigset_t none, all;
    sigemptyset(&none);
    sigfillset(&all);
    int error = posix_spawnattr_setsigmask(attributes, &none);
    if (error == 0)
        error = posix_spawnattr_setsigdefault(attributes, &all);
    if (error == 0)
        error = posix_spawnattr_setpgroup(attributes, 0);
    if (error == 0)
        error = posix_spawnattr_setflags(attributes, POSIX_SPAWN_SETSIGMASK |
                                                         POSIX_SPAWN_SETSIGDEF |
                                                         POSIX_SPAWN_SETPGROUP);
    return error;
}

/** posix_spawn with actions and attributes; 0 or an errno. */
static int run(const char *program, int socket, pid_t *pid)
{
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    int error = posix_spawn_file_actions_init(&actions);
    if (error != 0)
        return error;
    error = posix_spawnattr_init(&attributes);
    if (error != 0)
        goto out_actions;
    error = set_actions(&actions, socket);
    if (error == 0)
        error = set_attributes(&attributes);
    if (error == 0) {
        char number[12];
        snprintf(number, sizeof number, "%d", SPAWN_WORKER_DESCRIPTOR);
        char *arguments[] = {(char *)program, (char *)"--serve", number, NULL};
        char *environment[ENVIRONMENT_MAX];
        reduced_environment(environment);
        error = posix_spawn(pid, program, &actions, &attributes, arguments, environment);
    }
    posix_spawnattr_destroy(&attributes);
out_actions:
    posix_spawn_file_actions_destroy(&actions);
    return error;
}

bool spawn_worker(const char *program, struct spawn_process *ret,
                  struct server_problem *problem)
{
    int ends[2];
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "Cannot make a socket for a worker: %s.",
                                  strerror(errno));
    struct timeval limit = {.tv_sec = SPAWN_SEND_TIMEOUT_S};
    pid_t pid = -1;
    int error = 0;
    if (setsockopt(ends[0], SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit) != 0)
        error = errno;
    if (error == 0)
        error = run(program, ends[1], &pid);
    close(ends[1]);
    if (error != 0) {
        close(ends[0]);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "Cannot start the worker %.250s: %s; --worker tells "
                                  "where residuum-worker is.",
                                  program, strerror(error));
    }
    *ret = (struct spawn_process){.pid = pid, .socket = ends[0]};
    return true;
}
