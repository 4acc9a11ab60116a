#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

int fuzz_file(int descriptor, const uint8_t *data, size_t size)
{
    if (descriptor < 0)
        descriptor = memfd_create("fuzz", MFD_CLOEXEC);
    assert(descriptor >= 0 && ftruncate(descriptor, 0) == 0 &&
           pwrite(descriptor, data, size, 0) == (ssize_t)size);
    return descriptor;
}

char *fuzz_text(const uint8_t *data, size_t size)
{
    char *text = malloc(size + 1);
    assert(text != NULL);
    memcpy(text, data, size);
    text[size] = '\0';
    return text;
}
