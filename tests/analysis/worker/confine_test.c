#include "analysis/worker/confine.h"

#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>

#include "analysis/dsp/fft.h"
#include "tests/analysis/worker/confined.h"

/* A child that confines itself as a worker does and then waits for its end, to be looked
 * at from outside: it cannot ask any more. */
static pid_t waiting_child(void)
{
    int ends[2];
    char ready;
    assert_int_equal(pipe(ends), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        /* root could be traced whatever it says */
        if (geteuid() == 0 && setresuid(65534, 65534, 65534) != 0)
            _exit(1);
        if (prctl(PR_SET_DUMPABLE, 1) != 0 || !confined_by_all() ||
            write(ends[1], "x", 1) != 1)
            _exit(1);
        for (;;)
            poll(NULL, 0, -1);
    }
    close(ends[1]);
    assert_int_equal(read(ends[0], &ready, 1), 1);
    close(ends[0]);
    return child;
}

/* The number after a name in a file of /proc/PID. */
static long long number_in(pid_t child, const char *file, const char *name)
{
    char path[64], line[256];
    long long number = -1;
    snprintf(path, sizeof path, "/proc/%d/%s", (int)child, file);
    FILE *lines = fopen(path, "re");
    assert_non_null(lines);
    while (fgets(line, sizeof line, lines))
        if (strncmp(line, name, strlen(name)) == 0)
            number = atoll(line + strlen(name));
    fclose(lines);
    return number;
}

/* proc(5): what is not dumpable belongs to root there, whoever's process it is. */
static bool is_dumpable(pid_t child)
{
    char path[64];
    struct stat file;
    snprintf(path, sizeof path, "/proc/%d/environ", (int)child);
    assert_int_equal(stat(path, &file), 0);
    return file.st_uid != 0;
}

static void flags_and_limits_are_set(void **state)
{
    (void)state;
    pid_t child = waiting_child();
    assert_int_equal(is_dumpable(child), CONFINE_SANITIZED);
    assert_int_equal(number_in(child, "status", "NoNewPrivs:"), 1);
    assert_int_equal(number_in(child, "status", "Seccomp:"), 2); /* 2: a filter */
    assert_true(getpriority(PRIO_PROCESS, (id_t)child) >= CONFINE_NICE);
    assert_int_equal(number_in(child, "limits", "Max core file size"), 0);
    assert_int_equal(number_in(child, "limits", "Max open files"), CONFINE_DESCRIPTORS);
    assert_int_equal(number_in(child, "limits", "Max file size"), CONFINE_FILE_BYTES);
    if (!CONFINE_SANITIZED)
        assert_int_equal(number_in(child, "limits", "Max address space"),
                         CONFINE_MEMORY_BYTES);
    kill(child, SIGKILL);
    assert_int_equal(waitpid(child, NULL, 0), child);
}

/* Fails the write; the signal that would kill is ignored. */
static int file_over_its_limit_fails(const struct confined *confined)
{
    if (lseek(confined->file, CONFINE_FILE_BYTES, SEEK_SET) != CONFINE_FILE_BYTES)
        return 1;
    return write(confined->file, "x", 1) == -1 && errno == EFBIG ? 0 : 2;
}

static int memory_over_its_limit_fails(const struct confined *confined)
{
    (void)confined;
    void *memory = mmap(NULL, CONFINE_MEMORY_BYTES, PROT_READ | PROT_WRITE,
                        MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    return memory == MAP_FAILED && errno == ENOMEM ? 0 : 1;
}

static void limits_hold(void **state)
{
    (void)state;
    assert_allowed(confined_by_all, file_over_its_limit_fails);
    if (!CONFINE_SANITIZED)
        assert_allowed(confined_by_all, memory_over_its_limit_fails);
}

enum { SHORTEST_LOG2 = 10, LONGEST_LOG2 = 22, STEPS = 24 };

static rlim_t memory_bytes; /* for the children */
static int log2_length;

static bool confined_with_little_memory(void)
{
    struct rlimit limit = {memory_bytes, memory_bytes};
    return setrlimit(RLIMIT_AS, &limit) == 0 && confined_by_all();
}

/* 0: transformed; 1: no memory for it; 2: none for the block itself. */
static int transforms(const struct confined *confined)
{
    (void)confined;
    struct problem problem = {0};
    struct fft_cache *cache = fft_cache_new();
    double *block = fft_buffer_new(1 << log2_length);
    if (!cache || !block)
        return 2;
    memset(block, 0, sizeof *block << log2_length);
    if (fft_forward(cache, 1 << log2_length, block, NULL, &problem))
        return 0;
    return problem.kind == PROBLEM_OUT_OF_MEMORY ? 1 : 3;
}

/* FFTW aborts without memory; a worker tells it as what it is. From too little for
 * the block on, in steps of 256 KiB, up to enough for all. */
static void a_transform_without_memory_is_told(void **state)
{
    (void)state;
    int seen[3] = {0};
    long long now_bytes = number_in(getpid(), "status", "VmSize:") * 1024;
    for (log2_length = SHORTEST_LOG2; log2_length <= LONGEST_LOG2; log2_length += 4) {
        long long block_bytes = (long long)sizeof(double) << log2_length;
        for (int i = 0; i < STEPS && !CONFINE_SANITIZED; i++) {
            memory_bytes = (rlim_t)(now_bytes + block_bytes + (i << 18) + (1 << 19));
            int status = confined_status(confined_with_little_memory, transforms);
            assert_true(WIFEXITED(status));
            assert_true(WEXITSTATUS(status) < 3);
            seen[WEXITSTATUS(status)]++;
        }
    }
    assert_true(CONFINE_SANITIZED || (seen[0] > 0 && seen[1] > 0));
}

static int opens_a_file(const struct confined *confined)
{
    (void)confined;
    int flags = CONFINE_SANITIZED ? O_WRONLY : O_RDONLY;
    return open("/dev/null", flags | O_CLOEXEC) == -1 && errno == EACCES ? 0 : 1;
}

static int opens_a_socket(const struct confined *confined)
{
    (void)confined;
    return socket(AF_INET, SOCK_STREAM, 0) >= 0;
}

static int runs_a_program(const struct confined *confined)
{
    (void)confined;
    return execl("/bin/true", "true", (char *)NULL);
}

static void files_sockets_and_programs_are_out_of_reach(void **state)
{
    (void)state;
    assert_allowed(confined_by_all, opens_a_file);
    assert_killed(confined_by_all, opens_a_socket);
    assert_killed(confined_by_all, runs_a_program);
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
            if (!confined_by_all() || write(ends[1], "x", 1) != 1)
                _exit(1);
            for (;;)
                poll(NULL, 0, -1);
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
        cmocka_unit_test(a_transform_without_memory_is_told),
        cmocka_unit_test(files_sockets_and_programs_are_out_of_reach),
        cmocka_unit_test(worker_dies_with_its_parent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
