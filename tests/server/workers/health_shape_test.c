/* The shape is the one that the interface describes; each departure from it is one row.
 */
#include "server/workers/health_shape.h"

#include <stdlib.h>
#include <string.h>

#include "tests/server/workers/health_answer.h"
#include "tests/support/support.h"

static json_t *good(void)
{
    json_t *answer = json_loads(HEALTH_ANSWER, 0, NULL);
    assert_non_null(answer);
    return answer;
}

/* "health/channels/0" of the answer. */
static json_t *at(json_t *value, const char *path)
{
    char part[40];
    while (*path != '\0') {
        size_t length = strcspn(path, "/");
        snprintf(part, sizeof part, "%.*s", (int)length, path);
        value = json_is_array(value) ? json_array_get(value, strtoul(part, NULL, 10))
                                     : json_object_get(value, part);
        assert_non_null(value);
        path += length + (path[length] == '/');
    }
    return value;
}

static const char *const objects[] = {"format",
                                      "health",
                                      "health/channels/0",
                                      "health/channels/0/clipping",
                                      "health/channels/0/dropouts/0",
                                      "health/channels/0/clean_span",
                                      "health/warnings/0",
                                      "suggested/0"};

static void the_answer_described_is_taken(void **state)
{
    (void)state;
    json_t *answer = good();
    assert_true(health_shape_holds(answer));
    json_decref(answer);
}

static void a_member_more_is_refused_everywhere(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof objects / sizeof objects[0]; i++) {
        json_t *answer = good();
        json_object_set_new(at(answer, objects[i]), "more", json_integer(1));
        if (health_shape_holds(answer))
            fail_msg("a member more in %s", objects[i]);
        json_decref(answer);
    }
}

/* Every member of every object, left out and of a type that none has: an object in place
 * of what is none, a text in place of an object or a list. */
static void a_member_less_or_of_another_type_is_refused(void **state)
{
    (void)state;
    int members = 0;
    for (size_t i = 0; i < sizeof objects / sizeof objects[0]; i++) {
        json_t *whole = good(), *value;
        const char *name;
        json_object_foreach(at(whole, objects[i]), name, value)
        {
            bool optional = strcmp(name, "md5") == 0 ||
                            (strcmp(name, "channel") == 0 &&
                             strcmp(objects[i], "health/warnings/0") == 0);
            json_t *answer = good();
            json_object_del(at(answer, objects[i]), name);
            if (health_shape_holds(answer) != optional)
                fail_msg("%s without %s", objects[i], name);
            bool nested = json_is_object(value) || json_is_array(value);
            json_object_set_new(at(answer, objects[i]), name,
                                nested ? json_string("x") : json_object());
            if (health_shape_holds(answer))
                fail_msg("%s with another %s", objects[i], name);
            json_decref(answer);
            members++;
        }
        json_decref(whole);
    }
    assert_int_equal(members, 7 + 2 + 15 + 3 + 4 + 2 + 3 + 2); /* of HEALTH_ANSWER */
}

static const struct change {
    const char *path, *member, *value;
    bool holds;
} changes[] = {
    {"health/channels/0", "peak_dbfs", "null", true},
    {"health/channels/0", "peak_dbfs", "-1", true},
    {"health/channels/0", "bits_in_use", "null", true},
    {"health/channels/0", "bits_in_use", "-1", false},
    {"health/channels/0", "dropout_count", "1.5", false},
    {"health/channels/0", "clean_span", "null", true},
    {"health/channels/0", "channel", "2", false}, /* the first is 1 */
    {"health/channels/0", "silent", "0", false},
    {"health/channels/0", "dropouts", "[]", true},
    {"health/channels/0/dropouts/0", "kind", "\"<b>\"", false},
    {"health", "channels", "[]", false},
    {"health", "warnings", "[]", true},
    {"health", "warnings", "[[]]", false},
    {"health/warnings/0", "channel", "2", false}, /* of one */
    {"health/warnings/0", "channel", "0", false},
    {"health/warnings/0", "code", "\"\"", false},
    {"format", "frames", "null", true},
    {"format", "container", "\"WAV\"", false},
    {"suggested/0", "settings", "[]", false},
    {"suggested/0", "measurement", "\"no name\"", false},
};

static void a_value_out_of_place_is_refused(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof changes / sizeof changes[0]; i++) {
        const struct change *row = &changes[i];
        json_t *answer = good();
        json_object_set_new(at(answer, row->path), row->member,
                            json_loads(row->value, JSON_DECODE_ANY, NULL));
        if (health_shape_holds(answer) != row->holds)
            fail_msg("%s/%s = %s", row->path, row->member, row->value);
        json_decref(answer);
    }
}

static void sixteen_channels_are_taken_and_no_more(void **state)
{
    (void)state;
    json_t *answer = good(), *channels = at(answer, "health/channels");
    for (int number = 2; number <= HEALTH_SHAPE_MAX_CHANNELS; number++) {
        json_t *channel = json_deep_copy(json_array_get(channels, 0));
        json_object_set_new(channel, "channel", json_integer(number));
        json_array_append_new(channels, channel);
    }
    assert_true(health_shape_holds(answer));
    json_t *channel = json_deep_copy(json_array_get(channels, 0));
    json_object_set_new(channel, "channel", json_integer(HEALTH_SHAPE_MAX_CHANNELS + 1));
    json_array_append_new(channels, channel);
    assert_false(health_shape_holds(answer));
    json_decref(answer);
}

static void what_was_inspected_has_a_format_and_warnings_without_channels(void **state)
{
    (void)state;
    static const struct change inspected[] = {
        {"format", "frames", "null", true},      {"format", "channels", "\"2\"", false},
        {"format", "more", "1", false},          {"warnings/0", "message", "1", false},
        {"warnings/0", "channel", "1", false},   {"warnings/0", "code", "\"a b\"", false},
        {"warnings/0", "message", "\"\"", true},
    };
    for (size_t i = 0; i < sizeof inspected / sizeof inspected[0]; i++) {
        const struct change *row = &inspected[i];
        json_t *answer = json_loads(HEALTH_ANSWER_INSPECTED, 0, NULL);
        assert_true(health_shape_inspected(answer));
        json_object_set_new(at(answer, row->path), row->member,
                            json_loads(row->value, JSON_DECODE_ANY, NULL));
        if (health_shape_inspected(answer) != row->holds)
            fail_msg("%s/%s = %s", row->path, row->member, row->value);
        json_decref(answer);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_answer_described_is_taken),
        cmocka_unit_test(a_member_more_is_refused_everywhere),
        cmocka_unit_test(a_member_less_or_of_another_type_is_refused),
        cmocka_unit_test(a_value_out_of_place_is_refused),
        cmocka_unit_test(sixteen_channels_are_taken_and_no_more),
        cmocka_unit_test(what_was_inspected_has_a_format_and_warnings_without_channels),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
