/* The kind of a file and its chunks, from hostile bytes. */
#include "tests/fuzz/fuzz.h"

#include <assert.h>

#include "analysis/capture/container.h"
#include "analysis/capture/header.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    file = fuzz_file(file, data, size);
    struct problem problem = {0};
    enum container container;
    struct header header;
    if (!container_sniff(file, &container, &problem)) {
        assert(problem.kind != PROBLEM_NONE && problem.detail[0] != '\0');
        return 0;
    }
    bool good = header_read(file, container, &header, &problem) &&
                (!header.found || header_check(&header, &problem));
    assert(good == (problem.kind == PROBLEM_NONE));
    assert(!good || header.frames >= -1);
    return 0;
}
