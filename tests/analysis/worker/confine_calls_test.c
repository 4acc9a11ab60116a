/* Each forbidden call kills by SIGSYS, as confine_calls.h promises; each allowed one does
 * what it does elsewhere. */
#include "analysis/worker/confine_calls.h"

#include <assert.h>
#include <poll.h>
#include <sched.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/ptrace.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/sysinfo.h>
#include <sys/uio.h>
#include <time.h>

#include "analysis/worker/wire.h"
#include "tests/analysis/worker/confined.h"

#define ATTEMPT(name, call)                                                              \
    static int name(const struct confined *confined)                                     \
    {                                                                                    \
        (void)confined;                                                                  \
        return (call) == 0 ? 0 : errno;                                                  \
    }

static char *const no_words[] = {(char *)"true", NULL};

ATTEMPT(opens_a_network_socket, syscall(SYS_socket, AF_INET, SOCK_STREAM, 0))
ATTEMPT(opens_a_unix_socket, syscall(SYS_socket, AF_UNIX, SOCK_STREAM, 0))
ATTEMPT(makes_a_pair_of_sockets, syscall(SYS_socketpair, AF_UNIX, SOCK_STREAM, 0, NULL))
ATTEMPT(connects, syscall(SYS_connect, confined->ends[0], NULL, 0))
ATTEMPT(listens, syscall(SYS_listen, confined->ends[0], 1))
ATTEMPT(runs_a_program, execve("/bin/true", no_words, no_words + 1))
ATTEMPT(runs_a_program_by_descriptor,
        syscall(SYS_execveat, confined->file, "", no_words, no_words + 1, AT_EMPTY_PATH))
ATTEMPT(removes_a_file, unlinkat(AT_FDCWD, "/nowhere/at-all", 0))
ATTEMPT(leaves_its_namespaces, syscall(SYS_unshare, 0))

ATTEMPT(forks, syscall(SYS_fork))
ATTEMPT(clones, syscall(SYS_clone, SIGCHLD, 0, 0, 0, 0))
ATTEMPT(clones_anew, syscall(SYS_clone3, NULL, 0))
ATTEMPT(maps_code, mmap(NULL, 4096, PROT_READ | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS,
                        -1, 0) == MAP_FAILED)
ATTEMPT(turns_memory_into_code,
        mprotect((void *)((uintptr_t)no_words & ~4095UL), 4096, PROT_READ | PROT_EXEC))
ATTEMPT(turns_keyed_memory_into_code,
        syscall(SYS_pkey_mprotect, (uintptr_t)no_words & ~4095UL, 4096,
                PROT_READ | PROT_EXEC, -1))
ATTEMPT(kills_its_parent, kill(confined->parent, 0))
ATTEMPT(kills_a_thread_of_its_parent,
        syscall(SYS_tgkill, confined->parent, confined->parent, 0))
ATTEMPT(traces_its_parent, ptrace(PTRACE_ATTACH, confined->parent, NULL, NULL))
ATTEMPT(reads_the_memory_of_its_parent,
        syscall(SYS_process_vm_readv, confined->parent, NULL, 0, NULL, 0, 0))
ATTEMPT(changes_its_process, prctl(PR_SET_DUMPABLE, 1))
ATTEMPT(changes_its_limits, syscall(SYS_prlimit64, 0, 0, NULL, NULL))
ATTEMPT(changes_its_user, syscall(SYS_setuid, getuid()))
ATTEMPT(duplicates_a_descriptor, dup(confined->file) < 0)
ATTEMPT(asks_for_flags, fcntl(confined->file, F_GETFL) < 0)
ATTEMPT(cuts_a_file, ftruncate(confined->file, 0))
ATTEMPT(makes_a_folder, mkdirat(AT_FDCWD, "/nowhere/at-all", 0700))
ATTEMPT(opens_with_a_handle, syscall(SYS_openat2, AT_FDCWD, "/etc/hostname", NULL, 0))
ATTEMPT(makes_a_memory_file, syscall(SYS_memfd_create, "x", 0))
ATTEMPT(queues_calls_in_a_ring, syscall(SYS_io_uring_setup, 1, NULL))
ATTEMPT(filters_its_calls, syscall(SYS_seccomp, 0, 0, NULL))

struct forbidden {
    const char *name;
    int (*attempt)(const struct confined *confined);
};

/* Under sanitizers only the first part of the table is forbidden: confine.h. */
static const struct forbidden everywhere[] = {
    {"opens a network socket", opens_a_network_socket},
    {"opens a Unix socket", opens_a_unix_socket},
    {"makes a pair of sockets", makes_a_pair_of_sockets},
    {"connects", connects},
    {"listens", listens},
    {"runs a program", runs_a_program},
    {"runs a program by its descriptor", runs_a_program_by_descriptor},
    {"removes a file", removes_a_file},
    {"leaves its namespaces", leaves_its_namespaces},
    {"forks", forks},
    {"queues calls in a ring", queues_calls_in_a_ring},
};

static const struct forbidden in_release[] = {
    {"clones itself", clones},
    {"clones itself by the newer call", clones_anew},
    {"maps code", maps_code},
    {"turns memory into code", turns_memory_into_code},
    {"turns keyed memory into code", turns_keyed_memory_into_code},
    {"sends its parent a signal", kills_its_parent},
    {"sends a thread of its parent a signal", kills_a_thread_of_its_parent},
    {"traces its parent", traces_its_parent},
    {"reads the memory of its parent", reads_the_memory_of_its_parent},
    {"changes its process", changes_its_process},
    {"changes its limits", changes_its_limits},
    {"changes its user", changes_its_user},
    {"duplicates a descriptor", duplicates_a_descriptor},
    {"asks for flags of a descriptor", asks_for_flags},
    {"cuts a file", cuts_a_file},
    {"makes a folder", makes_a_folder},
    {"opens by the newer call", opens_with_a_handle},
    {"makes a memory file", makes_a_memory_file},
    {"filters its calls again", filters_its_calls},
};

static void a_forbidden_call_kills(void **state)
{
    const struct forbidden *row = *state;
    assert_killed(confine_calls_enter, row->attempt);
}

static int opening_fails(const struct confined *confined)
{
    (void)confined;
    if (open("/dev/null", O_RDONLY | O_CLOEXEC) != -1 || errno != EACCES)
        return 1;
    if (syscall(SYS_open, "/dev/null", O_RDONLY) != -1 || errno != EACCES)
        return 2;
    if (open("/tmp/made-by-a-worker", O_WRONLY | O_CREAT | O_CLOEXEC, 0600) != -1 ||
        errno != EACCES)
        return 3;
    if (isatty(STDERR_FILENO) || errno != ENOTTY)
        return 4;
    FILE *file = fopen("/etc/localtime", "re");
    return file ? 5 : 0;
}

static void what_libraries_only_try_fails(void **state)
{
    (void)state;
    if (!CONFINE_SANITIZED)
        assert_allowed(confine_calls_enter, opening_fails);
}

static int files_and_frames_work(const struct confined *confined)
{
    char text[4] = "";
    struct iovec piece = {(void *)"ab", 2};
    if (write(confined->file, "x", 1) != 1 || pwrite(confined->file, "cd", 2, 1) != 2 ||
        lseek(confined->file, 3, SEEK_SET) != 3 || writev(confined->file, &piece, 1) != 2)
        return 1;
    if (pread(confined->file, text, 3, 2) != 3 || memcmp(text, "dab", 3) != 0)
        return 2;
    struct wire_frame frame;
    if (wire_send(confined->ends[0], "{}", 2, &confined->file, 1) != WIRE_OK ||
        wire_receive(confined->ends[1], 1000, &frame) != WIRE_OK)
        return 3;
    if (frame.descriptor_count != 1 || strcmp(frame.json, "{}") != 0)
        return 4;
    wire_frame_free(&frame);
    return 0;
}

static int ascending(const void *a, const void *b)
{
    return *(const double *)a < *(const double *)b ? -1 : 1;
}

/* Beyond every threshold of the allocator; qsort asks for the size of the memory. */
static int memory_works(const struct confined *confined)
{
    (void)confined;
    for (size_t bytes = 16; bytes <= 256 << 20; bytes *= 4) {
        char *memory = malloc(bytes);
        if (!memory)
            return 1;
        memory[bytes - 1] = 1;
        char *longer = realloc(memory, bytes * 2);
        if (!longer)
            return 2;
        free(longer);
    }
    enum { COUNT = 100000 };
    double *values = calloc(COUNT, sizeof *values);
    for (int i = 0; values && i < COUNT; i++)
        values[i] = (i * 7919) % COUNT;
    if (values)
        qsort(values, COUNT, sizeof *values, ascending);
    int wrong = values && !(values[COUNT - 1] < COUNT - 1) ? 0 : 3;
    free(values);
    return wrong;
}

/* The same by the calls themselves: the C library seldom makes them. */
static int time_works(const struct confined *confined)
{
    (void)confined;
    struct timespec moment = {0, 1000}, now;
    struct sysinfo memory;
    unsigned char random[8];
    long seconds[2];
    cpu_set_t processors;
    if (nanosleep(&moment, NULL) != 0 || poll(NULL, 0, 1) != 0)
        return 1;
    if (syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &now) != 0 ||
        syscall(SYS_gettimeofday, seconds, NULL) != 0)
        return 2;
    if (sysinfo(&memory) != 0 || sched_getaffinity(0, sizeof processors, &processors))
        return 3;
    return syscall(SYS_getrandom, random, sizeof random, 0) == sizeof random ? 0 : 4;
}

static void what_an_analysis_needs_works(void **state)
{
    (void)state;
    assert_allowed(confine_calls_enter, files_and_frames_work);
    assert_allowed(confine_calls_enter, memory_works);
    assert_allowed(confine_calls_enter, time_works);
}

/* Such calls have other numbers: 20 is getpid there, and writev here. */
static int calls_as_a_32_bit_program_does(const struct confined *confined)
{
    (void)confined;
    long result = 20;
    __asm__ volatile("int $0x80" : "+a"(result) : : "memory");
    return result > 0 ? 0 : 1;
}

/* A kernel without such programs kills by SIGSEGV. */
static void a_32_bit_call_kills(void **state)
{
    (void)state;
    int status = confined_status(confine_calls_enter, calls_as_a_32_bit_program_does);
    assert_true(WIFSIGNALED(status));
    assert_true(WTERMSIG(status) == SIGSYS || WTERMSIG(status) == SIGSEGV);
}

static int fails_an_assertion(const struct confined *confined)
{
    close(STDERR_FILENO);
    assert(confined->parent == 0);
    return 0;
}

/* The C library finds it and reports it on standard error. */
static int frees_twice(const struct confined *confined)
{
    (void)confined;
    close(STDERR_FILENO);
    char *volatile memory = malloc(100), *volatile again = memory;
    free(memory);
    free(again);
    return 0;
}

static int reads_nothing(const struct confined *confined)
{
    (void)confined;
    signal(SIGSEGV, SIG_DFL); /* cmocka's would catch it */
    const char *volatile nowhere = NULL;
    return *nowhere;
}

/* Mistakes of ours are crashes, and not taken for attacks. (Sanitizers end the two latter
 * in their own way.) */
static void a_mistake_is_no_violation(void **state)
{
    (void)state;
    static const struct {
        int (*attempt)(const struct confined *confined);
        int signal;
    } mistakes[] = {
        {fails_an_assertion, SIGABRT}, {frees_twice, SIGABRT}, {reads_nothing, SIGSEGV}};
    for (int i = 0; i < (CONFINE_SANITIZED ? 1 : 3); i++) {
        int status = confined_status(confine_calls_enter, mistakes[i].attempt);
        assert_true(WIFSIGNALED(status));
        assert_int_equal(WTERMSIG(status), mistakes[i].signal);
    }
}

static void note(int signal)
{
    (void)signal;
    _exit(0);
}

static int catches_its_death(const struct confined *confined)
{
    signal(SIGSYS, note);
    return opens_a_unix_socket(confined);
}

static void no_handler_catches_a_violation(void **state)
{
    (void)state;
    assert_killed(confine_calls_enter, catches_its_death);
}

int main(void)
{
    enum {
        PLAIN = 5,
        EVERYWHERE = sizeof everywhere / sizeof everywhere[0],
        IN_RELEASE =
            CONFINE_SANITIZED ? 0 : (int)(sizeof in_release / sizeof in_release[0]),
    };
    struct CMUnitTest tests[PLAIN + EVERYWHERE + IN_RELEASE] = {
        cmocka_unit_test(what_libraries_only_try_fails),
        cmocka_unit_test(what_an_analysis_needs_works),
        cmocka_unit_test(a_32_bit_call_kills),
        cmocka_unit_test(a_mistake_is_no_violation),
        cmocka_unit_test(no_handler_catches_a_violation),
    };
    for (int i = 0; i < EVERYWHERE + IN_RELEASE; i++) {
        const struct forbidden *row =
            i < EVERYWHERE ? &everywhere[i] : &in_release[i - EVERYWHERE];
        tests[PLAIN + i] = (struct CMUnitTest){row->name, a_forbidden_call_kills, NULL,
                                               NULL, (void *)row};
    }
    return cmocka_run_group_tests(tests, NULL, NULL);
}
