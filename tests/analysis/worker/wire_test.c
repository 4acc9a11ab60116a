/* The protocol is our own: every expected value is the layout written in wire.h. */
#include "analysis/worker/wire.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#include "tests/support/support.h"

struct pair {
    int a, b;
};

static struct pair open_pair(void)
{
    int ends[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends), 0);
    return (struct pair){ends[0], ends[1]};
}

static void close_pair(struct pair pair)
{
    if (pair.a >= 0)
        close(pair.a);
    if (pair.b >= 0)
        close(pair.b);
}

static int open_descriptors(void)
{
    int count = 0;
    DIR *folder = opendir("/proc/self/fd");
    assert_non_null(folder);
    while (readdir(folder) != NULL)
        count++;
    closedir(folder);
    return count;
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/** Writes bytes with `count` copies of descriptor 0 attached. */
static void write_raw(int socket, const void *bytes, size_t length, size_t count)
{
    int descriptors[8] = {0};
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(sizeof descriptors)];
    } control = {0};
    struct iovec piece = {(void *)bytes, length};
    struct msghdr message = {.msg_iov = &piece, .msg_iovlen = 1};
    if (count > 0) {
        message.msg_control = control.bytes;
        message.msg_controllen = CMSG_SPACE(count * sizeof(int));
        struct cmsghdr *rights = CMSG_FIRSTHDR(&message);
        rights->cmsg_level = SOL_SOCKET;
        rights->cmsg_type = SCM_RIGHTS;
        rights->cmsg_len = CMSG_LEN(count * sizeof(int));
        memcpy(CMSG_DATA(rights), descriptors, count * sizeof(int));
    }
    assert_int_equal(sendmsg(socket, &message, MSG_NOSIGNAL), (ssize_t)length);
}

static void sends_the_header_of_the_contract(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    assert_int_equal(wire_send(pair.a, "{}", 2, NULL, 0), WIRE_OK);
    char got[16];
    assert_int_equal(read(pair.b, got, sizeof got), 10);
    assert_memory_equal(got, "RWF1\x02\0\0\0{}", 10);
    close_pair(pair);
}

static void carries_text_and_descriptors(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    int pipe_ends[2];
    assert_int_equal(pipe2(pipe_ends, O_CLOEXEC), 0);
    const char text[] = "{\"request\":\"measure\"}";
    int sent[WIRE_MAX_DESCRIPTORS] = {pipe_ends[0], pipe_ends[1], pipe_ends[0]};
    assert_int_equal(wire_send(pair.a, text, strlen(text), sent, 3), WIRE_OK);
    assert_int_equal(wire_send(pair.a, "{}", 2, NULL, 0), WIRE_OK);

    struct wire_frame frame;
    assert_int_equal(wire_receive(pair.b, 1000, &frame), WIRE_OK);
    assert_string_equal(frame.json, text);
    assert_int_equal(frame.length, strlen(text));
    assert_int_equal(frame.descriptor_count, 3);
    /* the second is the pipe's writing end, the others its reading end */
    assert_int_equal(write(frame.descriptors[1], "x", 1), 1);
    char byte = 0;
    assert_int_equal(read(frame.descriptors[2], &byte, 1), 1);
    assert_int_equal(byte, 'x');
    for (size_t i = 0; i < 3; i++)
        assert_true(fcntl(frame.descriptors[i], F_GETFD) & FD_CLOEXEC);
    wire_frame_free(&frame);

    assert_int_equal(wire_receive(pair.b, 1000, &frame), WIRE_OK);
    assert_string_equal(frame.json, "{}");
    assert_int_equal(frame.descriptor_count, 0);
    wire_frame_free(&frame);
    close(pipe_ends[0]);
    close(pipe_ends[1]);
    close_pair(pair);
}

static void frees_only_descriptors_still_held(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    int null = open("/dev/null", O_RDONLY | O_CLOEXEC);
    int before = open_descriptors();
    assert_int_equal(wire_send(pair.a, "{}", 2, (int[]){null, null}, 2), WIRE_OK);
    struct wire_frame frame;
    assert_int_equal(wire_receive(pair.b, 1000, &frame), WIRE_OK);
    int kept = frame.descriptors[0];
    frame.descriptors[0] = -1;
    wire_frame_free(&frame);
    assert_int_equal(open_descriptors(), before + 1);
    assert_int_equal(close(kept), 0);
    close(null);
    close_pair(pair);
}

struct sender {
    int socket;
    char *json;
    size_t length;
    enum wire_status status;
};

static void *send_it(void *context)
{
    struct sender *sender = context;
    int null = open("/dev/null", O_RDONLY | O_CLOEXEC);
    sender->status = wire_send(sender->socket, sender->json, sender->length, &null, 1);
    close(null);
    return NULL;
}

/* 1 MiB is more than a socket buffer: both ends work in parts; descriptors go over once.
 */
static void carries_the_longest_frame_in_parts(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    struct sender sender = {pair.a, malloc(WIRE_FRAME_MAX_BYTES), WIRE_FRAME_MAX_BYTES,
                            WIRE_BROKEN};
    for (size_t i = 0; i < sender.length; i++)
        sender.json[i] = (char)('a' + i % 23);
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, send_it, &sender), 0);
    struct wire_frame frame;
    assert_int_equal(wire_receive(pair.b, 20000, &frame), WIRE_OK);
    pthread_join(thread, NULL);
    assert_int_equal(sender.status, WIRE_OK);
    assert_int_equal(frame.length, WIRE_FRAME_MAX_BYTES);
    assert_memory_equal(frame.json, sender.json, sender.length);
    assert_int_equal(frame.descriptor_count, 1);
    wire_frame_free(&frame);
    free(sender.json);
    close_pair(pair);
}

static void refuses_to_send_too_much_or_nothing(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    char *text = calloc(1, WIRE_FRAME_MAX_BYTES + 1);
    assert_int_equal(wire_send(pair.a, text, WIRE_FRAME_MAX_BYTES + 1, NULL, 0),
                     WIRE_BROKEN);
    assert_int_equal(wire_send(pair.a, text, 0, NULL, 0), WIRE_BROKEN);
    char byte;
    assert_int_equal(recv(pair.b, &byte, 1, MSG_DONTWAIT), -1);
    assert_int_equal(errno, EAGAIN);
    free(text);
    close_pair(pair);
}

static void sending_to_the_dead_raises_no_signal(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    close(pair.b);
    pair.b = -1;
    signal(SIGPIPE, SIG_DFL);
    assert_int_equal(wire_send(pair.a, "{}", 2, NULL, 0), WIRE_CLOSED);
    close_pair(pair);
}

static void sending_ends_at_the_send_timeout(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    struct timeval limit = {.tv_usec = 50000};
    assert_int_equal(setsockopt(pair.a, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit),
                     0);
    char *text = calloc(1, WIRE_FRAME_MAX_BYTES);
    assert_int_equal(wire_send(pair.a, text, WIRE_FRAME_MAX_BYTES, NULL, 0),
                     WIRE_TIMEOUT);
    free(text);
    close_pair(pair);
}

static void tells_an_end_between_frames(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    close(pair.a);
    pair.a = -1;
    struct wire_frame frame;
    assert_int_equal(wire_receive(pair.b, 1000, &frame), WIRE_CLOSED);
    close_pair(pair);
}

/* what is written before the end (or nothing more), and what it must be taken for */
struct broken_case {
    const char *name;
    const char *bytes;
    size_t length;
    size_t descriptors; /* with the first byte */
    const char *later;  /* a second piece, with `later_descriptors` */
    size_t later_length, later_descriptors;
    enum wire_status want;
};

static const struct broken_case broken_cases[] = {
    {"end within the header", "RWF1\x02", 5, 0, NULL, 0, 0, WIRE_BROKEN},
    {"end after the header", "RWF1\x02\0\0\0", 8, 1, NULL, 0, 0, WIRE_BROKEN},
    {"end within the text", "RWF1\x03\0\0\0{}", 10, 2, NULL, 0, 0, WIRE_BROKEN},
    {"bad magic", "RWF2\x02\0\0\0{}", 10, 2, NULL, 0, 0, WIRE_BROKEN},
    {"no text", "RWF1\0\0\0\0", 8, 0, NULL, 0, 0, WIRE_BROKEN},
    {"one byte too long", "RWF1\x01\0\x10\0", 8, 1, NULL, 0, 0, WIRE_BROKEN},
    {"4 GiB", "RWF1\xff\xff\xff\xff", 8, 0, NULL, 0, 0, WIRE_BROKEN},
    {"four descriptors", "RWF1\x02\0\0\0{}", 10, 4, NULL, 0, 0, WIRE_BROKEN},
    {"eight descriptors", "RWF1\x02\0\0\0{}", 10, 8, NULL, 0, 0, WIRE_BROKEN},
    {"descriptor with the text", "RWF1\x02\0\0\0", 8, 1, "{}", 2, 1, WIRE_BROKEN},
    {"two and one descriptors", "RWF1\x02\0\0\0", 8, 2, "{}", 2, 1, WIRE_BROKEN},
};

static void a_broken_frame_leaves_nothing_open(void **state)
{
    const struct broken_case *row = *state;
    struct pair pair = open_pair();
    int before = open_descriptors();
    write_raw(pair.a, row->bytes, row->length, row->descriptors);
    if (row->later != NULL)
        write_raw(pair.a, row->later, row->later_length, row->later_descriptors);
    shutdown(pair.a, SHUT_WR);
    struct wire_frame frame = {.length = 4711};
    assert_int_equal(wire_receive(pair.b, 1000, &frame), row->want);
    assert_int_equal(frame.length, 4711); /* untouched */
    assert_int_equal(open_descriptors(), before);
    close_pair(pair);
}

static void waits_no_longer_than_told(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    struct wire_frame frame;
    double start_s = now_s();
    assert_int_equal(wire_receive(pair.b, 60, &frame), WIRE_TIMEOUT);
    assert_between(now_s() - start_s, 0.055, 2);
    assert_int_equal(wire_receive(pair.b, 0, &frame), WIRE_TIMEOUT);
    close_pair(pair);
}

static void *dribble(void *context)
{
    static const char bytes[] = "RWF1\x02\0\0\0";
    const struct timespec pause = {.tv_nsec = 200000000};
    for (size_t i = 0; i < 8; i++) {
        if (send(*(int *)context, bytes + i, 1, MSG_NOSIGNAL) != 1)
            break;
        nanosleep(&pause, NULL);
    }
    return NULL;
}

/* Each byte comes 200 ms after the one before, so the header takes 1.6 s: the deadline of
 * 300 ms is of the whole frame. */
static void the_deadline_is_of_the_whole_frame(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, dribble, &pair.a), 0);
    struct wire_frame frame;
    double start_s = now_s();
    assert_int_equal(wire_receive(pair.b, 300, &frame), WIRE_TIMEOUT);
    assert_between(now_s() - start_s, 0.295, 1.3);
    shutdown(pair.b, SHUT_RDWR); /* ends the dribbling */
    pthread_join(thread, NULL);
    close_pair(pair);
}

static void on_alarm(int number)
{
    (void)number;
}

static void *send_late(void *context)
{
    const struct timespec pause = {.tv_nsec = 120000000};
    nanosleep(&pause, NULL);
    assert_int_equal(wire_send(*(int *)context, "{}", 2, NULL, 0), WIRE_OK);
    return NULL;
}

/* A signal every 10 ms interrupts the wait; the frame that comes later is received all
 * the same. */
static void a_signal_does_not_end_the_wait(void **state)
{
    (void)state;
    struct pair pair = open_pair();
    struct sigaction action = {.sa_handler = on_alarm}, former;
    sigaction(SIGALRM, &action, &former);
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, send_late, &pair.a), 0);
    struct itimerval timer = {{.tv_usec = 10000}, {.tv_usec = 10000}}, off = {0};
    setitimer(ITIMER_REAL, &timer, NULL);
    struct wire_frame frame;
    enum wire_status status = wire_receive(pair.b, -1, &frame);
    setitimer(ITIMER_REAL, &off, NULL);
    pthread_join(thread, NULL);
    sigaction(SIGALRM, &former, NULL);
    assert_int_equal(status, WIRE_OK);
    wire_frame_free(&frame);
    close_pair(pair);
}

int main(void)
{
    enum { PLAIN = 11, BROKEN = sizeof broken_cases / sizeof broken_cases[0] };
    struct CMUnitTest tests[PLAIN + BROKEN] = {
        cmocka_unit_test(sends_the_header_of_the_contract),
        cmocka_unit_test(carries_text_and_descriptors),
        cmocka_unit_test(frees_only_descriptors_still_held),
        cmocka_unit_test(carries_the_longest_frame_in_parts),
        cmocka_unit_test(refuses_to_send_too_much_or_nothing),
        cmocka_unit_test(sending_to_the_dead_raises_no_signal),
        cmocka_unit_test(sending_ends_at_the_send_timeout),
        cmocka_unit_test(tells_an_end_between_frames),
        cmocka_unit_test(waits_no_longer_than_told),
        cmocka_unit_test(the_deadline_is_of_the_whole_frame),
        cmocka_unit_test(a_signal_does_not_end_the_wait),
    };
    for (size_t i = 0; i < BROKEN; i++)
        tests[PLAIN + i] =
            (struct CMUnitTest){broken_cases[i].name, a_broken_frame_leaves_nothing_open,
                                NULL, NULL, (void *)&broken_cases[i]};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
