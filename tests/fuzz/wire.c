/**
 * Both ends of the wire between daemon and worker, each fed by a hostile other end. The
 * first byte of an input says which end, how many descriptors come, and whether the rest
 * is sent as it is or line by line in frames of right length; the second which request an
 * answer is for.
 */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "analysis/worker/serve.h"
#include "server/base/clock.h"
#include "server/catalogue/catalogue.h"
#include "server/workers/talk.h"

enum { DESCRIPTORS = 3, DAEMON = 1 << 2, FRAMED = 1 << 3, DEADLINE_MS = 4000 };

/* A second of silence, 8 kHz, 8000 frames of 16 bits. */
static int silence(void)
{
    static const uint8_t head[] = {
        'R', 'I', 'F', 'F', 0xA4, 0x3E, 0,   0,   'W', 'A',  'V', 'E', 'f', 'm', 't',
        ' ', 16,  0,   0,   0,    1,    0,   1,   0,   0x40, 31,  0,   0,   128, 62,
        0,   0,   2,   0,   16,   0,    'd', 'a', 't', 'a',  128, 62,  0,   0};
    char path[40];
    int file = fuzz_file(-1, head, sizeof head);
    assert(ftruncate(file, (off_t)sizeof head + 16000) == 0);
    snprintf(path, sizeof path, "/proc/self/fd/%d", file);
    int read_only = open(path, O_RDONLY | O_CLOEXEC);
    assert(read_only >= 0);
    close(file);
    return read_only;
}

/* Nothing waits: what does not fit into the socket is not sent. */
static void put(int socket, const void *bytes, size_t size, int descriptors)
{
    static int file = -1;
    if (file < 0)
        file = silence();
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(4 * sizeof(int))];
    } control = {0};
    struct iovec piece = {(void *)bytes, size};
    struct msghdr message = {.msg_iov = &piece, .msg_iovlen = 1};
    if (descriptors > 0) {
        size_t length = (size_t)descriptors * sizeof(int);
        message.msg_control = control.bytes;
        message.msg_controllen = CMSG_SPACE(length);
        struct cmsghdr *rights = CMSG_FIRSTHDR(&message);
        rights->cmsg_level = SOL_SOCKET;
        rights->cmsg_type = SCM_RIGHTS;
        rights->cmsg_len = CMSG_LEN(length);
        for (int i = 0; i < descriptors; i++)
            memcpy(CMSG_DATA(rights) + (size_t)i * sizeof(int), &file, sizeof file);
    }
    ssize_t sent = sendmsg(socket, &message, MSG_DONTWAIT | MSG_NOSIGNAL);
    (void)sent;
}

static void put_framed(int socket, const uint8_t *data, size_t size, int descriptors)
{
    while (size > 0) {
        const uint8_t *end = memchr(data, '\n', size);
        size_t length = end ? (size_t)(end - data) : size;
        uint8_t *frame = malloc(8 + length);
        assert(frame != NULL);
        memcpy(frame, "RWF1", 4);
        for (int i = 0; i < 4; i++)
            frame[4 + i] = (uint8_t)(length >> 8 * i);
        memcpy(frame + 8, data, length);
        put(socket, frame, 8 + length, descriptors);
        free(frame);
        length += end != NULL;
        data += length;
        size -= length;
    }
}

static void as_daemon(int socket, uint8_t kind)
{
    static const char *const requests[] = {"describe", "inspect", "health", "measure",
                                           "render"};
    static int result = -1;
    if (result < 0)
        result = fuzz_file(-1, (const uint8_t[64]){0}, 64);
    json_t *request = json_pack("{s:s}", "request", requests[kind % 5]);
    struct workers_call call = {
        .request = request,
        .descriptors = {-1, result, -1},
        .deadline_s = 1,
    };
    json_t *answer = NULL;
    struct server_problem problem = {0};
    enum workers_outcome outcome =
        talk_answer(socket, &call, clock_monotonic_ms() + DEADLINE_MS, &answer, &problem);
    assert((outcome == WORKERS_DONE) == (answer != NULL));
    assert((outcome == WORKERS_DONE) == (problem.code == SERVER_PROBLEM_NONE));
    assert(outcome != WORKERS_TIMED_OUT); /* the other end has closed */
    struct catalogue *catalogue = NULL;
    if (answer && kind % 5 == 0 && catalogue_new(answer, &catalogue, &problem))
        catalogue_free(catalogue);
    json_decref(answer);
    json_decref(request);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    int ends[2];
    if (size < 2)
        return 0;
    assert(socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) == 0);
    if (data[0] & FRAMED)
        put_framed(ends[0], data + 2, size - 2, data[0] & DESCRIPTORS);
    else
        put(ends[0], data + 2, size - 2, data[0] & DESCRIPTORS);
    shutdown(ends[0], SHUT_WR);
    if (data[0] & DAEMON) {
        as_daemon(ends[1], data[1]);
    } else {
        /* Nobody reads the answers: one that does not fit ends the conversation. */
        assert(fcntl(ends[1], F_SETFL, O_NONBLOCK) == 0);
        (void)serve_run(ends[1]);
    }
    close(ends[0]);
    close(ends[1]);
    return 0;
}
