#include "analysis/worker/wire.h"

#include <assert.h>
#include <errno.h>
#include <limits.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static const char magic[4] = {'R', 'W', 'F', '1'};

enum { HEADER_BYTES = 8 };

static void put_header(uint8_t header[HEADER_BYTES], uint32_t length)
{
    memcpy(header, magic, sizeof magic);
    for (int i = 0; i < 4; i++)
        header[4 + i] = (uint8_t)(length >> (8 * i));
}

static uint32_t header_length(const uint8_t header[HEADER_BYTES])
{
    uint32_t length = 0;
    for (int i = 0; i < 4; i++)
        length |= (uint32_t)header[4 + i] << (8 * i);
    return length;
}

/** Drops `count` bytes that were sent from the front of the two pieces. */
static void advance(struct iovec pieces[2], size_t count)
{
    for (int i = 0; i < 2; i++) {
        size_t part = count < pieces[i].iov_len ? count : pieces[i].iov_len;
        pieces[i].iov_base = (char *)pieces[i].iov_base + part;
        pieces[i].iov_len -= part;
        count -= part;
    }
}

static enum wire_status send_failure(size_t sent)
{
    if (errno == EAGAIN || errno == EWOULDBLOCK)
        return WIRE_TIMEOUT;
    if (sent == 0 && (errno == EPIPE || errno == ECONNRESET))
        return WIRE_CLOSED;
    return WIRE_BROKEN;
}

enum wire_status wire_send(int socket, const char *json, size_t length,
                           const int *descriptors, size_t descriptor_count)
{
    assert(descriptor_count <= WIRE_MAX_DESCRIPTORS);
    if (length == 0 || length > WIRE_FRAME_MAX_BYTES)
        return WIRE_BROKEN;

    uint8_t header[HEADER_BYTES];
    put_header(header, (uint32_t)length);
    struct iovec pieces[2] = {{header, sizeof header}, {(void *)json, length}};
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(WIRE_MAX_DESCRIPTORS * sizeof(int))];
    } control = {0};
    struct msghdr message = {.msg_iov = pieces, .msg_iovlen = 2};
    if (descriptor_count > 0) {
        size_t bytes = descriptor_count * sizeof(int);
        message.msg_control = control.bytes;
        message.msg_controllen = CMSG_SPACE(bytes);
        struct cmsghdr *rights = CMSG_FIRSTHDR(&message);
        rights->cmsg_level = SOL_SOCKET;
        rights->cmsg_type = SCM_RIGHTS;
        rights->cmsg_len = CMSG_LEN(bytes);
        memcpy(CMSG_DATA(rights), descriptors, bytes);
    }

    size_t sent = 0;
    while (sent < sizeof header + length) {
        ssize_t count = sendmsg(socket, &message, MSG_NOSIGNAL);
        if (count < 0) {
            if (errno == EINTR)
                continue;
            return send_failure(sent);
        }
        sent += (size_t)count;
        advance(pieces, (size_t)count);
        /* the descriptors went with the first byte: not a second time */
        message.msg_control = NULL;
        message.msg_controllen = 0;
    }
    return WIRE_OK;
}

static int64_t monotonic_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/** Waits until there is something to read (an end counts). deadline_ms < 0: for ever. */
static enum wire_status wait_readable(int socket, int64_t deadline_ms)
{
    for (;;) {
        int64_t left_ms = -1;
        if (deadline_ms >= 0) {
            left_ms = deadline_ms - monotonic_ms();
            if (left_ms < 0)
                left_ms = 0;
            if (left_ms > INT_MAX)
                left_ms = INT_MAX;
        }
        struct pollfd wait = {.fd = socket, .events = POLLIN};
        int ready = poll(&wait, 1, (int)left_ms);
        if (ready > 0)
            return WIRE_OK;
        if (ready == 0)
            return WIRE_TIMEOUT;
        if (errno != EINTR)
            return WIRE_BROKEN;
    }
}

/** Adds the descriptors of a message to the frame. Those that do not fit are closed, and
 * false is returned; the kernel itself closes what did not fit into the control buffer.
 */
static bool take_descriptors(struct msghdr *message, struct wire_frame *frame)
{
    bool all = (message->msg_flags & MSG_CTRUNC) == 0;
    for (struct cmsghdr *item = CMSG_FIRSTHDR(message); item != NULL;
         item = CMSG_NXTHDR(message, item)) {
        if (item->cmsg_level != SOL_SOCKET || item->cmsg_type != SCM_RIGHTS) {
            all = false;
            continue;
        }
        size_t count = (item->cmsg_len - CMSG_LEN(0)) / sizeof(int);
        for (size_t i = 0; i < count; i++) {
            int descriptor;
            memcpy(&descriptor, CMSG_DATA(item) + i * sizeof descriptor,
                   sizeof descriptor);
            if (frame->descriptor_count < WIRE_MAX_DESCRIPTORS) {
                frame->descriptors[frame->descriptor_count++] = descriptor;
            } else {
                close(descriptor);
                all = false;
            }
        }
    }
    return all;
}

/**
 * Reads exactly `want` bytes before the deadline and collects descriptors. Only the first
 * read of a frame may bring them (`first`): later ones break the conversation. An end
 * before any byte is WIRE_CLOSED.
 */
static enum wire_status read_exactly(int socket, int64_t deadline_ms, bool first,
                                     void *bytes, size_t want, struct wire_frame *frame)
{
    size_t have = 0;
    /* Without a deadline there is nothing to wait for but the bytes themselves. */
    int wait = deadline_ms < 0 ? 0 : MSG_DONTWAIT;
    while (have < want) {
        struct iovec piece = {(char *)bytes + have, want - have};
        union {
            struct cmsghdr align;
            char bytes[CMSG_SPACE(WIRE_MAX_DESCRIPTORS * sizeof(int))];
        } control;
        struct msghdr message = {.msg_iov = &piece,
                                 .msg_iovlen = 1,
                                 .msg_control = control.bytes,
                                 .msg_controllen = sizeof control.bytes};
        ssize_t count = recvmsg(socket, &message, MSG_CMSG_CLOEXEC | wait);
        if (count < 0 && errno == EINTR)
            continue;
        if (count < 0 && (errno == EAGAIN || errno == EWOULDBLOCK)) {
            enum wire_status status = wait_readable(socket, deadline_ms);
            if (status != WIRE_OK)
                return status;
            continue;
        }
        if (count < 0 && !(errno == ECONNRESET && have == 0))
            return WIRE_BROKEN;
        if (count <= 0)
            return have == 0 ? WIRE_CLOSED : WIRE_BROKEN;
        size_t before = frame->descriptor_count;
        if (!take_descriptors(&message, frame))
            return WIRE_BROKEN;
        if (frame->descriptor_count > before && !(first && have == 0))
            return WIRE_BROKEN;
        have += (size_t)count;
    }
    return WIRE_OK;
}

enum wire_status wire_receive(int socket, int timeout_ms, struct wire_frame *ret)
{
    struct wire_frame frame = {.descriptors = {-1, -1, -1}};
    int64_t deadline_ms = timeout_ms < 0 ? -1 : monotonic_ms() + timeout_ms;

    uint8_t header[HEADER_BYTES];
    enum wire_status status =
        read_exactly(socket, deadline_ms, true, header, sizeof header, &frame);
    if (status != WIRE_OK)
        goto out;

    status = WIRE_BROKEN;
    uint32_t length = header_length(header);
    if (memcmp(header, magic, sizeof magic) != 0 || length == 0 ||
        length > WIRE_FRAME_MAX_BYTES)
        goto out;
    frame.json = malloc((size_t)length + 1);
    if (frame.json == NULL)
        goto out;
    frame.length = length;
    frame.json[length] = '\0';
    status = read_exactly(socket, deadline_ms, false, frame.json, length, &frame);
    if (status == WIRE_CLOSED)
        status = WIRE_BROKEN; /* it ended after the header: within a frame */
    if (status != WIRE_OK)
        goto out;

    *ret = frame;
    return WIRE_OK;
out:
    wire_frame_free(&frame);
    return status;
}

void wire_frame_free(struct wire_frame *frame)
{
    for (size_t i = 0; i < frame->descriptor_count; i++) {
        if (frame->descriptors[i] >= 0)
            close(frame->descriptors[i]);
        frame->descriptors[i] = -1;
    }
    frame->descriptor_count = 0;
    free(frame->json);
    frame->json = NULL;
    frame->length = 0;
}
