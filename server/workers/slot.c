#include "server/workers/slot.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/workers/spawn.h"
#include "server/workers/talk.h"

/** The slot's next start is later each time a worker dies before it has served. */
static void back_off(struct slot *slot)
{
    int64_t wait_ms = SLOT_BACKOFF_MS;
    for (int i = 0; i < slot->early_deaths && wait_ms < SLOT_BACKOFF_MAX_MS; i++)
        wait_ms *= 2;
    if (wait_ms > SLOT_BACKOFF_MAX_MS)
        wait_ms = SLOT_BACKOFF_MAX_MS;
    slot->early_deaths++;
    slot->due_ms = clock_monotonic_ms() + wait_ms;
}

bool slot_start(struct slot *slot, const char *program, struct server_problem *problem)
{
    struct spawn_process process;
    if (!spawn_worker(program, &process, problem)) {
        back_off(slot);
        return false;
    }
    slot->pid = process.pid;
    slot->socket = process.socket;
    slot->jobs = 0;
    slot->state = SLOT_STARTING;
    slot->due_ms = clock_monotonic_ms() + (int64_t)LIMIT_DESCRIBE_S * 1000;
    static const char describe[] = "{\"request\":\"describe\"}";
    if (wire_send(slot->socket, describe, sizeof describe - 1, NULL, 0) != WIRE_OK)
        slot_end(slot, true);
    return true;
}

void slot_greet(struct slot *slot)
{
    json_t *request = json_pack("{s:s}", "request", "describe");
    struct workers_call call = {
        .request = request, .descriptors = {-1, -1, -1}, .deadline_s = 1};
    json_t *answer = NULL;
    if (talk_answer(slot->socket, &call, clock_monotonic_ms() + 1000, &answer, NULL) ==
        WORKERS_DONE) {
        slot->state = SLOT_IDLE;
    } else {
        slot_end(slot, true);
    }
    json_decref(answer);
    json_decref(request);
}

bool slot_is_well(const struct slot *slot)
{
    char byte;
    ssize_t count = recv(slot->socket, &byte, 1, MSG_PEEK | MSG_DONTWAIT);
    return count < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR);
}

void slot_served(struct slot *slot)
{
    slot->jobs++;
    slot->early_deaths = 0;
}

void slot_end(struct slot *slot, bool unexpected)
{
    if (slot->jobs == 0 && unexpected && slot->state != SLOT_BUSY)
        back_off(slot);
    else
        slot->due_ms = 0;
    slot->state = SLOT_ENDING;
    slot->unexpected = unexpected;
}

bool slot_broke_out(struct slot *slot)
{
    int64_t begin_ms = clock_monotonic_ms(), waited_ms;
    do {
        siginfo_t end = {0};
        if (waitid(P_PID, (id_t)slot->pid, &end, WEXITED | WNOHANG | WNOWAIT) == 0 &&
            end.si_pid == slot->pid)
            return end.si_code != CLD_EXITED && end.si_status == SIGSYS;
        poll(NULL, 0, 1);
        waited_ms = clock_monotonic_ms() - begin_ms;
        if (!slot->stopped && waited_ms >= SLOT_DYING_MS) {
            slot->stopped = true;
            kill(slot->pid, SIGKILL);
        }
    } while (waited_ms < SLOT_DEATH_MS);
    return false;
}

/** Logs an end that nobody here wanted. */
static enum slot_end tell_end(const struct slot *slot, int status)
{
    int pid = (int)slot->pid;
    if (WIFSIGNALED(status) && WTERMSIG(status) == SIGSYS) {
        log_line(
            LOG_LEVEL_CRITICAL,
            "worker %d tried to leave its confinement and was killed: it made a "
            "system call that no analysis makes, which the kernel's audit log names; "
            "the recording that it read may be an attack",
            pid);
        return SLOT_BROKE_OUT;
    }
    if (!slot->unexpected)
        return SLOT_ENDED;
    if (slot->stopped && WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL)
        log_line(LOG_LEVEL_WARNING,
                 "worker %d said what no worker says, or hung up, and was killed", pid);
    else if (WIFSIGNALED(status))
        log_line(LOG_LEVEL_WARNING, "worker %d ended by signal %d%s", pid,
                 WTERMSIG(status),
                 WTERMSIG(status) == SIGKILL
                     ? ", as the kernel ends processes when the machine's memory runs out"
                     : "");
    else
        log_line(LOG_LEVEL_WARNING, "worker %d ended with exit status %d", pid,
                 WEXITSTATUS(status));
    return SLOT_DIED;
}

enum slot_end slot_reap(struct slot *slot)
{
    kill(slot->pid, SIGKILL); /* not reaped yet, so the number is still its own */
    int status = 0;
    if (waitpid(slot->pid, &status, WNOHANG) == 0)
        return SLOT_LIVES;
    enum slot_end end = tell_end(slot, status);
    close(slot->socket);
    slot->socket = -1;
    slot->pid = -1;
    slot->unexpected = false;
    slot->stopped = false;
    slot->state = SLOT_EMPTY;
    return end;
}
