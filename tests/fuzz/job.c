/**
 * What jobs do with a hostile recording, from its bytes to the JSON and the result file:
 * its health, and a measurement that is handed it. The last byte decides which signal is
 * named, if any, and which measurement it is.
 */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <string.h>
#include <unistd.h>

#include "analysis/capture/capture.h"
#include "analysis/measurements/registry.h"
#include "analysis/signals/signal.h"
#include "analysis/worker/task.h"
#include "analysis/worker/task_health.h"
#include "analysis/worker/wire.h"
#include "tests/fuzz/support/flac_sums.h"

enum { FRAMES_MAX = 1 << 18 };

/* False for a recording that takes long only because it is long: a few bytes of FLAC
 * can hold hours of silence, and a job has a deadline. */
static bool short_enough(int file)
{
    struct problem problem = {0};
    struct capture *capture;
    if (!capture_open(file, &capture, &problem))
        return true;
    int got = CAPTURE_BLOCK_FRAMES;
    int64_t frames = 0, channels = capture_format(capture)->channels;
    while (got == CAPTURE_BLOCK_FRAMES && frames * channels < FRAMES_MAX &&
           capture_fetch(capture, CAPTURE_BLOCK_FRAMES, &got, &problem))
        frames += got;
    capture_close(capture);
    return frames * channels < FRAMES_MAX;
}

static void check_warnings(const json_t *warnings)
{
    static const char codes[] =
        " truncated length_from_file size_wrapped riff_pad_missing trailing_bytes "
        "lost_sync md5_mismatch suspect_right_justified suspect_int_scaled_float "
        "over_full_scale clipping channel_silent mute_suspected low_bits_unused "
        "channels_identical polarity_inverted possible_resampler mains_suspected "
        "clock_offset wrong_signal dropout ";
    size_t index;
    json_t *warning;
    json_array_foreach(warnings, index, warning)
    {
        const char *code = json_string_value(json_object_get(warning, "code"));
        const char *found = code ? strstr(codes, code) : NULL;
        assert(found && found[-1] == ' ' && found[strlen(code)] == ' ');
        assert(json_string_length(json_object_get(warning, "message")) > 0);
    }
}

static int64_t whole(const json_t *object, const char *name)
{
    const json_t *value = json_object_get(object, name);
    assert(json_is_integer(value) && json_integer_value(value) >= 0);
    return json_integer_value(value);
}

static void check_health(const json_t *answer)
{
    const json_t *health = json_object_get(answer, "health");
    const json_t *channels = json_object_get(health, "channels"), *channel, *dropout;
    int64_t frames = whole(json_object_get(answer, "format"), "frames");
    size_t index, at;
    check_warnings(json_object_get(health, "warnings"));
    json_array_foreach(channels, index, channel)
    {
        const json_t *clean = json_object_get(channel, "clean_span");
        assert(whole(clean, "first_frame") + whole(clean, "frames") <= frames);
        int64_t last = 0;
        json_array_foreach(json_object_get(channel, "dropouts"), at, dropout)
        {
            assert(whole(dropout, "frame") >= last);
            last = whole(dropout, "frame");
        }
        assert(last <= frames);
    }
}

static void measure(int file, const struct measurement *measurement, const json_t *signal,
                    const json_t *health, struct fft_cache *cache)
{
    static int result = -1;
    struct problem problem = {0};
    struct wire_result_header header;
    result = fuzz_file(result, NULL, 0);
    struct task_measure task = {.capture = file,
                                .result = result,
                                .signal = signal,
                                .health = health,
                                .cache = cache};
    assert(lseek(result, 0, SEEK_SET) == 0);
    bool good = task_measure(measurement, &task, &problem);
    assert(good == (problem.kind == PROBLEM_NONE));
    assert(!good || pread(result, &header, sizeof header, 0) == sizeof header);
    fft_cache_trim(cache);
}

/* A signal as the daemon names it, from 1; 0: none. */
static json_t *named(int which)
{
    if (which == 0)
        return NULL;
    json_t *signal = json_pack("{s:s,s:{}}", "name",
                               signal_get(which - 1)->description.name, "parameters");
    assert(signal);
    return signal;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size, unsigned seed)
{
    return flac_sums_mutate(data, size, max_size, seed);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int file = -1;
    static struct fft_cache *cache;
    if (!cache)
        cache = fft_cache_new();
    assert(cache);
    int choice = size > 0 ? data[size - 1] : 0;
    int which = choice % (signal_count() + 1);
    const struct measurement *measurement = registry_get(choice % registry_count());
    file = fuzz_file(file, data, size);
    if (!short_enough(file))
        return 0;
    struct problem problem = {0};
    json_t *answer = NULL;
    json_t *signal = named(which);
    struct task_health task = {.capture = file, .signal = signal, .cache = cache};
    bool good = task_health(&task, &answer, &problem);
    assert(good == (problem.kind == PROBLEM_NONE) && good == (answer != NULL));
    fft_cache_trim(cache);
    if (good && size % 4 == 0) { /* nothing of the job before is left */
        json_t *again = NULL;
        assert(task_health(&task, &again, &problem) && json_equal(again, answer));
        json_decref(again);
    }
    if (good) {
        check_health(answer);
        measure(file, measurement, signal, json_object_get(answer, "health"), cache);
    }
    json_decref(answer);
    json_decref(signal);
    return 0;
}
