#include "analysis/capture/excerpt.h"

#include "tests/analysis/capture/files.h"

enum { FRAMES = 10000 };

/* Frame n of channel c holds (2n + c)/2^15. */
static struct capture *opened(int *ret_descriptor)
{
    static double samples[2 * FRAMES];
    struct capture *capture = NULL;
    for (int i = 0; i < 2 * FRAMES; i++)
        samples[i] = i / 32768.0;
    *ret_descriptor =
        files_written(SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, samples, FRAMES);
    assert_true(capture_open(*ret_descriptor, &capture, NULL));
    return capture;
}

/* Within a block, over the edges of blocks, up to and beyond the end. */
static void an_excerpt_holds_its_own_frames(void **state)
{
    static const struct {
        struct excerpt excerpt;
        int got;
    } rows[] = {
        {{0, 0, 1}, 1},          {{1, 17, 4096}, 4096}, {{1, 4000, 5000}, 5000},
        {{0, 9000, 2000}, 1000}, {{1, 9999, 1}, 1},     {{0, 10000, 5}, 0},
        {{1, 20000, 5}, 0},      {{0, 0, 0}, 0},
    };
    (void)state;
    static double samples[FRAMES];
    int descriptor;
    struct capture *capture = opened(&descriptor);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct excerpt *excerpt = &rows[i].excerpt;
        int got = -1;
        assert_true(excerpt_read(capture, excerpt, samples, &got, NULL));
        assert_int_equal(got, rows[i].got);
        for (int n = 0; n < got; n++)
            assert_close(
                samples[n],
                (2.0 * (double)(excerpt->first_frame + n) + excerpt->channel) / 32768, 0);
    }
    capture_close(capture);
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_excerpt_holds_its_own_frames),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
