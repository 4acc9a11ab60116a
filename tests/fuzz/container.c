/* The kind of a file and its chunks, from hostile bytes. */
#include "tests/fuzz/fuzz.h"

#include <assert.h>

#include "analysis/capture/walk.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    file = fuzz_file(file, data, size);
    struct problem problem = {0};
    enum container container;
    struct walk walk;
    if (!container_sniff(file, &container, &problem)) {
        assert(problem.kind != PROBLEM_NONE && problem.detail[0] != '\0');
        return 0;
    }
    bool good = walk_file(file, container, (int64_t)size, &walk, &problem);
    assert(good == (problem.kind == PROBLEM_NONE));
    if (!good || container == CONTAINER_FLAC)
        return 0;
    int64_t frame_bytes = walk.form.channels * walk.form.sample_bytes;
    assert(walk.frames > 0 && walk.extent.offset > 0);
    assert(walk.extent.offset + walk.frames * frame_bytes <= (int64_t)size);
    return 0;
}
