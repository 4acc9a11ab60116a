/**
 * The worker with functions in place of others (the linker's --wrap): before it inspects
 * a recording, looks at its health or measures it, it does what an attacker would have it
 * do who had found a way in. What, stands in the recording: a chunk `acti`, `acth` or
 * `actm` of 8 bytes right after a `fmt ` of 16.
 */
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <sys/mman.h>
#include <sys/socket.h>

#include "analysis/worker/task.h"
#include "analysis/worker/task_health.h"

enum { ACT_OFFSET = 36, ACT_BYTES = 8, PIECE_BYTES = 1 << 20, LEFT_BYTES = 1 << 16 };
enum { CONVERSATION = 3 }; /* the descriptor that the daemon gives to --serve */

bool __real_task_inspect(int capture, json_t **ret, struct problem *problem);
bool __real_task_health(const struct task_health *task, json_t **ret,
                        struct problem *problem);
bool __real_task_measure(const struct measurement *measurement,
                         const struct task_measure *task, struct problem *problem);
bool __wrap_task_inspect(int capture, json_t **ret, struct problem *problem);
bool __wrap_task_health(const struct task_health *task, json_t **ret,
                        struct problem *problem);
bool __wrap_task_measure(const struct measurement *measurement,
                         const struct task_measure *task, struct problem *problem);

static void hang(void)
{
    for (;;)
        poll(NULL, 0, -1);
}

static void eat_memory(void)
{
    for (size_t bytes = PIECE_BYTES; bytes >= LEFT_BYTES; bytes /= 2)
        while (malloc(bytes) != NULL)
            continue;
}

static void run_a_program(void)
{
    execl("/bin/true", "true", (char *)NULL);
}

static void fork_away(void)
{
    if (vfork() == 0)
        _exit(0);
}

static void connect_out(void)
{
    int out = socket(AF_INET, SOCK_STREAM, 0);
    (void)out;
}

static void map_code(void)
{
    void *code = mmap(NULL, 4096, PROT_READ | PROT_WRITE | PROT_EXEC,
                      MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    (void)code;
}

/* Tells what it read, which must be nothing: a worker's standard error is the daemon's.
 */
static void read_secrets(void)
{
    char line[256] = "";
    FILE *secrets = fopen("/etc/passwd", "re");
    if (secrets && fgets(line, sizeof line, secrets))
        fprintf(stderr, "SECRET %s\n", line);
    if (secrets)
        fclose(secrets);
}

/* Into the conversation with the daemon, which is no frame then; and lives on. */
static void babble(void)
{
    static const char words[] = "no frame begins with these words";
    if (write(CONVERSATION, words, sizeof words) == (ssize_t)sizeof words)
        hang();
}

static const struct act {
    const char *name;
    void (*act)(void);
} acts[] = {
    {"crash", abort},       {"hang", hang},
    {"memory", eat_memory}, {"program", run_a_program},
    {"fork", fork_away},    {"socket", connect_out},
    {"code", map_code},     {"secrets", read_secrets},
    {"babble", babble},
};

static void act(int capture, const char *chunk_name)
{
    char chunk[8 + ACT_BYTES + 1] = "";
    ssize_t count = pread(capture, chunk, 8 + ACT_BYTES, ACT_OFFSET);
    if (count == 8 + ACT_BYTES && memcmp(chunk, chunk_name, 4) == 0)
        for (size_t i = 0; i < sizeof acts / sizeof acts[0]; i++)
            if (strcmp(acts[i].name, chunk + 8) == 0)
                acts[i].act();
}

bool __wrap_task_inspect(int capture, json_t **ret, struct problem *problem)
{
    act(capture, "acti");
    return __real_task_inspect(capture, ret, problem);
}

bool __wrap_task_health(const struct task_health *task, json_t **ret,
                        struct problem *problem)
{
    act(task->capture, "acth");
    return __real_task_health(task, ret, problem);
}

bool __wrap_task_measure(const struct measurement *measurement,
                         const struct task_measure *task, struct problem *problem)
{
    act(task->capture, "actm");
    return __real_task_measure(measurement, task, problem);
}
