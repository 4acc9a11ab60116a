/* The kind of a file and the walk to its audio, from hostile bytes. */
#include "tests/fuzz/fuzz.h"

#include <assert.h>

#include "analysis/capture/container.h"
#include "analysis/capture/walk.h"

/* What the rest relies on: a form within the limits, and audio that is in the file. */
static void check_walk(const struct walk *walk, enum container container, int64_t size)
{
    const struct walk_form *form = &walk->form;
    assert(form->channels >= 1 && form->channels <= CAPTURE_MAX_CHANNELS);
    assert(form->sample_rate_hz >= CAPTURE_MIN_SAMPLE_RATE_HZ &&
           form->sample_rate_hz <= CAPTURE_MAX_SAMPLE_RATE_HZ);
    assert(form->sample_bytes >= 2 && form->sample_bytes <= 8);
    assert(walk->frames > 0 || (container == CONTAINER_FLAC && walk->frames == -1));
    assert((double)walk->frames <= form->sample_rate_hz * CAPTURE_MAX_DURATION_S);
    assert(walk->warning_count >= 0 && walk->warning_count <= WALK_MAX_WARNINGS);
    if (container == CONTAINER_FLAC)
        return;
    const struct extent *extent = &walk->extent;
    assert(extent->offset > 0 && extent->bytes > 0 && extent->offset < size &&
           extent->bytes <= size - extent->offset);
    assert(walk->frames <= extent->bytes / (form->channels * form->sample_bytes));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    file = fuzz_file(file, data, size);
    struct problem problem = {0};
    enum container container;
    struct walk walk;
    bool good = container_sniff(file, &container, &problem) &&
                walk_file(file, container, (int64_t)size, &walk, &problem);
    assert(good == (problem.kind == PROBLEM_NONE));
    assert(good || problem.detail[0] != '\0');
    if (good)
        check_walk(&walk, container, (int64_t)size);
    return 0;
}
