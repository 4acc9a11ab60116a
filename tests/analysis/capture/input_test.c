#include "analysis/capture/input.h"

#include <errno.h>
#include <fcntl.h>

#include "tests/analysis/capture/files.h"

static struct input input_of(int descriptor, int64_t bytes)
{
    return (struct input){.descriptor = descriptor, .bytes = bytes};
}

static void reading_and_seeking_move_one_position(void **state)
{
    (void)state;
    int descriptor = files_descriptor("0123456789", 10);
    struct input input = input_of(descriptor, 10);
    char bytes[16];
    assert_int_equal(input_callbacks.get_filelen(&input), 10);
    assert_int_equal(input_callbacks.read(bytes, 4, &input), 4);
    assert_memory_equal(bytes, "0123", 4);
    assert_int_equal(input_callbacks.tell(&input), 4);
    assert_int_equal(input_callbacks.seek(-2, SEEK_END, &input), 8);
    assert_int_equal(input_callbacks.read(bytes, 16, &input), 2);
    assert_memory_equal(bytes, "89", 2);
    assert_int_equal(input_callbacks.seek(-7, SEEK_CUR, &input), 3);
    assert_int_equal(input_callbacks.read(bytes, 1, &input), 1);
    assert_int_equal(bytes[0], '3');
    assert_int_equal(input_callbacks.seek(5, SEEK_SET, &input), 5);
    assert_int_equal(input_callbacks.seek(-6, SEEK_CUR, &input), -1);
    assert_int_equal(input_callbacks.seek(INT64_MAX, SEEK_CUR, &input), -1);
    assert_int_equal(input_callbacks.tell(&input), 5);
    assert_int_equal(input_callbacks.write("x", 1, &input), 0);
    close(descriptor);
}

/* Nothing of what lies before or behind shows, wherever the reading begins. */
static void only_the_stretch_is_there(void **state)
{
    (void)state;
    int descriptor = files_descriptor("..abcdef....", 12);
    for (int start = 0; start <= 6; start++) {
        struct input input = input_of(descriptor, 6);
        input.offset = 2;
        char bytes[12];
        assert_int_equal(input_callbacks.get_filelen(&input), 6);
        assert_int_equal(input_callbacks.seek(start - 6, SEEK_END, &input), start);
        assert_int_equal(input_callbacks.read(bytes, 12, &input), 6 - start);
        assert_memory_equal(bytes, &"abcdef"[start], (size_t)(6 - start));
        assert_int_equal(input_callbacks.read(bytes, 12, &input), 0);
    }
    close(descriptor);
}

static void failed_read_is_remembered(void **state)
{
    (void)state;
    int descriptor =
        open("/", O_RDONLY | O_DIRECTORY | O_CLOEXEC); /* read gives EISDIR */
    assert_true(descriptor >= 0);
    struct input input = input_of(descriptor, 10);
    char bytes[4];
    assert_int_equal(input_callbacks.read(bytes, 4, &input), 0);
    assert_int_equal(input.error, EISDIR);
    assert_false(input_read_at(descriptor, 0, bytes, 4));
    close(descriptor);
}

static void read_at_wants_all_bytes(void **state)
{
    (void)state;
    int descriptor = files_descriptor("0123456789", 10);
    char bytes[4];
    assert_true(input_read_at(descriptor, 6, bytes, 4));
    assert_memory_equal(bytes, "6789", 4);
    assert_false(input_read_at(descriptor, 7, bytes, 4));
    close(descriptor);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reading_and_seeking_move_one_position),
        cmocka_unit_test(only_the_stretch_is_there),
        cmocka_unit_test(failed_read_is_remembered),
        cmocka_unit_test(read_at_wants_all_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
