/* The program from outside: residuum-worker in the folder RESIDUUM_BIN. */
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include "tests/support/support.h"

static char folder[PATH_MAX];

struct outcome {
    int status;
    char out[1 << 20], err[1 << 14];
};

static void read_text(const char *path, char *text, size_t size)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    size_t count = fread(text, 1, size - 1, file);
    text[count] = 0;
    fclose(file);
}

/* Runs the worker in the test's folder with these arguments, for a shell. */
static const struct outcome *run(const char *arguments)
{
    static struct outcome outcome;
    char command[3 * PATH_MAX], path[PATH_MAX + 8];
    const char *bin = getenv("RESIDUUM_BIN");
    assert_non_null(bin);
    snprintf(command, sizeof command, "cd '%s' && '%s/residuum-worker' %s >out 2>err",
             folder, bin, arguments);
    int status = system(command);
    assert_true(WIFEXITED(status));
    outcome.status = WEXITSTATUS(status);
    snprintf(path, sizeof path, "%s/out", folder);
    read_text(path, outcome.out, sizeof outcome.out);
    snprintf(path, sizeof path, "%s/err", folder);
    read_text(path, outcome.err, sizeof outcome.err);
    return &outcome;
}

/* The output as JSON, after a good run that said nothing on standard error. */
static json_t *run_json(const char *arguments)
{
    const struct outcome *outcome = run(arguments);
    if (outcome->status != 0)
        print_error("%s", outcome->err);
    assert_int_equal(outcome->status, 0);
    assert_string_equal(outcome->err, "");
    json_t *object = json_loads(outcome->out, JSON_REJECT_DUPLICATES, NULL);
    assert_true(json_is_object(object));
    return object;
}

static bool exists(const char *name)
{
    char path[PATH_MAX + 64];
    struct stat status;
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return stat(path, &status) == 0;
}

static void tone_is_rendered_and_measured(void **state)
{
    (void)state;
    assert_int_equal(run("--render tone --output tone.wav --settings "
                         "'{\"duration_s\":3,\"level_dbfs\":-6,\"channels\":2}'")
                         ->status,
                     0);
    assert_true(exists("tone.wav"));
    assert_false(exists("tone.wav.part"));
    json_t *result = run_json("--file tone.wav --measure distortion --settings "
                              "'{\"channels\":[2]}'");
    static const char *const names[] = {"measurement", "capture",  "engine",  "settings",
                                        "signal",      "channels", "warnings"};
    size_t i = 0;
    const char *name;
    json_t *value;
    json_object_foreach(result, name, value)
    {
        assert_true(i < 7);
        assert_string_equal(name, names[i++]);
    }
    assert_int_equal(i, 7);
    json_t *capture = json_object_get(result, "capture");
    assert_int_equal(json_integer_value(json_object_get(capture, "sample_rate_hz")),
                     48000);
    assert_int_equal(json_integer_value(json_object_get(capture, "frames")), 144000);
    assert_int_equal(json_integer_value(json_object_get(capture, "channels")), 2);
    const json_t *channel = json_array_get(json_object_get(result, "channels"), 0);
    assert_int_equal(json_array_size(json_object_get(result, "channels")), 1);
    assert_int_equal(json_integer_value(json_object_get(channel, "channel")), 2);
    /* The level that was asked for; 0.001 dB is what the measurement promises. */
    const json_t *figures = json_object_get(channel, "figures");
    const json_t *level = json_object_get(figures, "fundamental_level");
    assert_close(json_number_value(json_object_get(level, "value")), -6, 0.001);
    json_decref(result);
}

/* A rendered tone is its own floor. */
static void floor_is_applied(void **state)
{
    (void)state;
    json_t *result = run_json("--file tone.wav --measure distortion --floor tone.wav");
    const json_t *floor = json_object_get(result, "floor_capture");
    assert_true(json_equal(floor, json_object_get(result, "capture")));
    const json_t *warning = json_array_get(json_object_get(result, "warnings"), 0);
    assert_string_equal(json_string_value(json_object_get(warning, "code")),
                        "near_instrument_floor");
    const json_t *channel = json_array_get(json_object_get(result, "channels"), 0);
    const json_t *noise =
        json_object_get(json_object_get(channel, "figures"), "noise_level");
    assert_string_equal(json_string_value(json_object_get(noise, "bound")), "at_most");
    assert_true(json_is_null(json_object_get(noise, "u95")));
    json_decref(result);
}

static void recording_is_inspected(void **state)
{
    (void)state;
    assert_int_equal(run("--render=tone --output=short.wav --settings="
                         "'{\"duration_s\":0.1,\"bits\":16,\"channels\":1}'")
                         ->status,
                     0);
    json_t *answer = run_json("--inspect --file short.wav");
    json_t *want =
        json_loads("{\"format\":{\"container\":\"wav\",\"encoding\":\"pcm_16\","
                   "\"sample_rate_hz\":48000,\"channels\":1,\"frames\":4800,"
                   "\"duration_s\":0.1},\"warnings\":[]}",
                   0, NULL);
    assert_true(json_equal(answer, want));
    json_decref(answer);
    json_decref(want);
}

static void tables_are_described(void **state)
{
    (void)state;
    json_t *answer = run_json("--describe");
    assert_int_equal(json_object_size(answer), 3);
    json_decref(answer);
}

static void help_and_version_are_printed(void **state)
{
    (void)state;
    const struct outcome *outcome = run("--help");
    assert_int_equal(outcome->status, 0);
    assert_non_null(strstr(outcome->out, "--measure NAME"));
    outcome = run("--version");
    assert_int_equal(outcome->status, 0);
    assert_string_equal(outcome->out, "residuum-worker " RESIDUUM_VERSION "\n");
}

static void problems_are_one_sentence(void **state)
{
    (void)state;
    static const struct {
        const char *arguments, *says;
    } cases[] = {
        {"--file none.wav --measure distortion", "none.wav: No such file"},
        {"--file . --measure distortion", "regular file"},
        {"--file tone.wav --measure distortion --floor none.wav",
         "none.wav: No such file"},
        {"--file tone.wav --measure distortion --floor err", "In the floor capture: "},
        {"--file err --inspect", "too few for a recording"},
        {"--file tone.wav --measure distorsion", "there is no distorsion."},
        {"--file tone.wav --measure distortion --settings '{'", "--settings is not JSON"},
        {"--file tone.wav --measure distortion --settings '[1]'",
         "must be a JSON object"},
        {"--file tone.wav --measure distortion --settings '{\"channels\":[9]}'",
         "Channel 9 was asked for; the recording has 2 channels."},
        {"--render tune --output x.wav", "there is no tune."},
        {"--render tone --output x.wav --settings '{\"bits\":20}'", "16, 24, 32 bit"},
        {"--render tone --output no/such/folder/x.wav", "No such file"},
        {"--serve 999999", "broke off"},
        {"--serve three", "not three"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct outcome *outcome = run(cases[i].arguments);
        if (outcome->status != 1 || !strstr(outcome->err, cases[i].says))
            print_error("%s: %d %s\n", cases[i].arguments, outcome->status, outcome->err);
        assert_int_equal(outcome->status, 1);
        assert_string_equal(outcome->out, "");
        assert_int_equal(strncmp(outcome->err, "residuum-worker: ", 17), 0);
        assert_non_null(strstr(outcome->err, cases[i].says));
        assert_ptr_equal(strchr(outcome->err, '\n'), strchr(outcome->err, 0) - 1);
    }
    assert_false(exists("x.wav") || exists("x.wav.part"));
}

static void failed_rendering_leaves_the_older_file(void **state)
{
    (void)state;
    assert_int_equal(run("--render tone --output kept.wav --settings "
                         "'{\"duration_s\":0.1,\"channels\":1}'")
                         ->status,
                     0);
    assert_int_equal(
        run("--render tone --output kept.wav --settings '{\"frequency_hz\":30000}'")
            ->status,
        1);
    json_t *answer = run_json("--file kept.wav --inspect");
    json_decref(answer);
}

static void wrong_usage_has_its_own_status(void **state)
{
    (void)state;
    static const char *const cases[] = {
        "",
        "--nonsense",
        "--measure distortion",
        "--file tone.wav",
        "--file tone.wav --inspect --describe",
        "--file tone.wav --inspect --floor tone.wav",
        "--file tone.wav --inspect --settings '{}'",
        "--render tone",
        "--render tone --output x.wav --file tone.wav",
        "--describe more",
        "--file",
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct outcome *outcome = run(cases[i]);
        assert_int_equal(outcome->status, 2);
        assert_string_equal(outcome->out, "");
        assert_non_null(strstr(outcome->err, "usage: residuum-worker"));
    }
}

int main(void)
{
    support_temporary_folder(folder);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tone_is_rendered_and_measured),
        cmocka_unit_test(floor_is_applied),
        cmocka_unit_test(recording_is_inspected),
        cmocka_unit_test(tables_are_described),
        cmocka_unit_test(help_and_version_are_printed),
        cmocka_unit_test(problems_are_one_sentence),
        cmocka_unit_test(failed_rendering_leaves_the_older_file),
        cmocka_unit_test(wrong_usage_has_its_own_status),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
