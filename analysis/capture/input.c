#include "analysis/capture/input.h"

#include <errno.h>
#include <string.h>
#include <unistd.h>

/* Reads until `count`, the end or an error; −1 with errno on an error. */
static int64_t read_some(int descriptor, int64_t offset, void *bytes, size_t count)
{
    size_t done = 0;
    while (done < count) {
        ssize_t got =
            pread(descriptor, (char *)bytes + done, count - done, offset + (off_t)done);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -1;
        if (got == 0)
            break;
        done += (size_t)got;
    }
    return (int64_t)done;
}

bool input_read_at(int descriptor, int64_t offset, void *bytes, size_t count)
{
    return read_some(descriptor, offset, bytes, count) == (int64_t)count;
}

int64_t input_read(struct input *input, void *bytes, int64_t count)
{
    int64_t left = input->bytes - input->position;
    int64_t wanted = count < left ? count : left;
    if (wanted <= 0)
        return 0;
    int64_t got = read_some(input->descriptor, input->offset + input->position, bytes,
                            (size_t)wanted);
    if (got < 0) {
        if (!input->error)
            input->error = errno;
        return 0;
    }
    input->position += got;
    return got;
}

static sf_count_t length(void *context)
{
    return ((struct input *)context)->bytes;
}

static sf_count_t seek(sf_count_t offset, int whence, void *context)
{
    struct input *input = context;
    int64_t base = whence == SEEK_SET   ? 0
                   : whence == SEEK_CUR ? input->position
                                        : input->bytes;
    int64_t target;
    if (__builtin_add_overflow(base, offset, &target) || target < 0)
        return -1;
    input->position = target;
    return target;
}

static sf_count_t read_next(void *bytes, sf_count_t count, void *context)
{
    return input_read(context, bytes, count);
}

static sf_count_t write_nothing(const void *bytes, sf_count_t count, void *context)
{
    (void)bytes;
    (void)count;
    (void)context;
    return 0;
}

static sf_count_t tell(void *context)
{
    return ((struct input *)context)->position;
}

const SF_VIRTUAL_IO input_callbacks = {
    .get_filelen = length,
    .seek = seek,
    .read = read_next,
    .write = write_nothing,
    .tell = tell,
};
