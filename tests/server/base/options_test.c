#include "server/base/options.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"

enum { WORDS_MAX = 24 };

/* Reads a command line given as words that end with NULL. */
static bool read_words(const char *const *words, struct options *ret, char *message)
{
    char *argv[WORDS_MAX] = {(char *)"residuumd"};
    int argc = 1;
    for (; words[argc - 1] != NULL; argc++)
        argv[argc] = (char *)words[argc - 1];
    memset(message, 0, 400);
    return options_read(argc, argv, ret, message);
}

#define READ(...) read_words((const char *const[]){__VA_ARGS__, NULL}, &options, message)

/* Every test starts with an environment in which only HOME is set. */
static int fresh_environment(void **state)
{
    (void)state;
    clearenv();
    return setenv("HOME", "/home/desk", 1);
}

static void options_default_is_as_documented(void **state)
{
    (void)state;
    struct options options;
    char message[400];
    assert_true(
        options_read(1, (char *[]){(char *)"residuumd", NULL}, &options, message));
    assert_int_equal(options.listen_count, 1);
    assert_string_equal(options.listen[0], "127.0.0.1:8737");
    assert_string_equal(options.state, "/home/desk/.local/state/residuum");
    assert_true(options.max_upload_bytes == UINT64_C(4294967296)); /* 4 GiB */
    assert_in_range(options.workers, 1, 64);
    assert_int_equal(options.host_name_count, 0);
    assert_false(options.help || options.version);
    char program[PATH_MAX] = "";
    assert_true(readlink("/proc/self/exe", program, sizeof program - 1) > 0);
    strcpy(strrchr(program, '/'), "/residuum-worker");
    assert_string_equal(options.worker, program);
}

static void options_state_default_follows_xdg(void **state)
{
    (void)state;
    struct options options;
    char message[400];
    char *const argv[] = {(char *)"residuumd", NULL};
    setenv("XDG_STATE_HOME", "/srv/state", 1);
    assert_true(options_read(1, argv, &options, message));
    assert_string_equal(options.state, "/srv/state/residuum");
    /* The XDG base directory specification: relative paths are to be ignored. */
    setenv("XDG_STATE_HOME", "state", 1);
    assert_true(options_read(1, argv, &options, message));
    assert_string_equal(options.state, "/home/desk/.local/state/residuum");
    clearenv();
    assert_false(options_read(1, argv, &options, message));
    assert_non_null(strstr(message, "--state DIR"));
}

static void options_command_line_is_read_in_both_forms(void **state)
{
    (void)state;
    struct options options;
    char message[400];
    assert_true(READ("--listen", "127.0.0.2:0", "--listen=[::1]:65535", "--listen",
                     "localhost:80", "--state=/srv/a=b", "--workers", "64",
                     "--max-upload", "3M", "--worker", "/opt/w", "--host-name",
                     "bench.example", "--host-name=desk-2"));
    assert_int_equal(options.listen_count, 3);
    assert_string_equal(options.listen[0], "127.0.0.2:0");
    assert_string_equal(options.listen[1], "[::1]:65535");
    assert_string_equal(options.listen[2], "localhost:80");
    assert_string_equal(options.state, "/srv/a=b");
    assert_int_equal(options.workers, 64);
    assert_true(options.max_upload_bytes == 3145728); /* 3·2^20 */
    assert_string_equal(options.worker, "/opt/w");
    assert_int_equal(options.host_name_count, 2);
    assert_string_equal(options.host_names[0], "bench.example");
    assert_string_equal(options.host_names[1], "desk-2");
}

static void options_environment_yields_to_the_command_line(void **state)
{
    (void)state;
    struct options options;
    char message[400];
    setenv("RESIDUUM_LISTEN", "127.0.0.1:1, [::1]:2 localhost:3", 1);
    setenv("RESIDUUM_MAX_UPLOAD", "1024G", 1);
    setenv("RESIDUUM_HOST_NAME", "a,b", 1);
    setenv("RESIDUUM_WORKERS", "", 1); /* empty counts as not set */
    setenv("RESIDUUM_STATE", "/srv/with blank, and comma", 1);
    assert_true(READ("--host-name=c"));
    assert_int_equal(options.listen_count, 3);
    assert_string_equal(options.listen[1], "[::1]:2");
    assert_string_equal(options.listen[2], "localhost:3");
    assert_true(options.max_upload_bytes == UINT64_C(1) << 40);
    assert_int_equal(options.host_name_count, 1);
    assert_string_equal(options.host_names[0], "c");
    assert_string_equal(options.state, "/srv/with blank, and comma");
    setenv("RESIDUUM_WORKERS", "many", 1);
    assert_false(READ("--host-name=c"));
    assert_non_null(strstr(message, "RESIDUUM_WORKERS many"));
    assert_true(READ("--workers=2"));
    assert_int_equal(options.workers, 2);
}

static void options_help_is_given_whatever_the_environment(void **state)
{
    (void)state;
    struct options options;
    char message[400];
    setenv("RESIDUUM_WORKERS", "many", 1);
    assert_true(READ("--help"));
    assert_true(options.help && !options.version);
    assert_true(READ("--version"));
    assert_true(options.version && !options.help);
}

/* What is refused, and words that the sentence must hold. */
static const struct {
    const char *words[4];
    const char *told[3];
} refused[] = {
    {{"--wrokers", "2"}, {"--wrokers", "--help"}},
    {{"serve"}, {"serve", "--help"}},
    {{"-h"}, {"-h", "--help"}},
    {{"--"}, {"--help"}},
    {{"--workers"}, {"--workers N"}},
    {{"--workers", "0"}, {"--workers 0", "1 to 64"}},
    {{"--workers", "65"}, {"--workers 65", "1 to 64"}},
    {{"--workers", "-1"}, {"--workers -1", "1 to 64"}},
    {{"--workers", "2x"}, {"--workers 2x", "1 to 64"}},
    {{"--workers="}, {"--workers", "1 to 64"}},
    {{"--workers=1", "--workers=2"}, {"--workers", "twice"}},
    {{"--help=1"}, {"--help", "no value"}},
    {{"--max-upload", "0"}, {"--max-upload 0", "1 to 1099511627776 bytes"}},
    {{"--max-upload", "1025G"}, {"--max-upload 1025G", "1 to 1099511627776 bytes"}},
    {{"--max-upload", "1099511627777"}, {"--max-upload", "1 to 1099511627776 bytes"}},
    {{"--max-upload", "99999999999999999999"}, {"--max-upload", "1 to 1099511627776"}},
    {{"--max-upload", "18014398509481985K"}, {"--max-upload", "1 to 1099511627776"}},
    {{"--max-upload", "4T"}, {"--max-upload 4T", "K, M or G"}},
    {{"--max-upload", "G"}, {"--max-upload G", "K, M or G"}},
    {{"--max-upload", ""}, {"--max-upload", "K, M or G"}},
    {{"--max-upload", "1.5G"}, {"--max-upload 1.5G", "whole number"}},
    {{"--listen", "0.0.0.0:8737"},
     {"--listen 0.0.0.0:8737", "only loopback", "127.0.0.0/8"}},
    {{"--listen", "192.0.2.7:8737"}, {"192.0.2.7:8737", "only loopback"}},
    {{"--listen", "128.0.0.1:1"}, {"128.0.0.1:1", "only loopback"}},
    {{"--listen", "[::]:8737"}, {"[::]:8737", "only loopback"}},
    {{"--listen", "[2001:db8::1]:8737"}, {"only loopback"}},
    {{"--listen", "bench.example:8737"}, {"only loopback"}},
    {{"--listen", "localhost.example:1"}, {"only loopback"}},
    {{"--listen", "127.1:8737"}, {"only loopback"}},
    {{"--listen", ":8737"}, {"only loopback"}},
    {{"--listen", "127.0.0.1:65536"}, {"127.0.0.1:65536", "0 to 65535"}},
    {{"--listen", "127.0.0.1"}, {"127.0.0.1 ", "ADDRESS:PORT"}},
    {{"--listen", "127.0.0.1:"}, {"ADDRESS:PORT"}},
    {{"--listen", "127.0.0.1:x"}, {"ADDRESS:PORT"}},
    {{"--listen", "127.0.0.1:-1"}, {"ADDRESS:PORT"}},
    {{"--listen", "::1:8737"}, {"ADDRESS:PORT", "[::1]:8737"}},
    {{"--listen", "[::1]"}, {"ADDRESS:PORT"}},
    {{"--listen", "[:1"}, {"ADDRESS:PORT"}},
    {{"--listen", "8737"}, {"ADDRESS:PORT"}},
    {{"--listen", ""}, {"--listen", "empty"}},
    {{"--state", ""}, {"--state", "empty"}},
    {{"--worker", ""}, {"--worker", "empty"}},
    {{"--host-name", "a b"}, {"--host-name a b", "letters"}},
    {{"--host-name", "desk:80"}, {"--host-name desk:80", "no port"}},
};

static void options_refuse_with_a_sentence(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++) {
        struct options options;
        char message[400];
        memset(&options, 0x5a, sizeof options);
        struct options before = options;
        if (read_words(refused[i].words, &options, message))
            fail_msg("%s was taken", refused[i].words[0]);
        for (int k = 0; k < 3 && refused[i].told[k] != NULL; k++)
            if (strstr(message, refused[i].told[k]) == NULL)
                fail_msg("\"%s\" does not say \"%s\"", message, refused[i].told[k]);
        assert_true(message[strlen(message) - 1] == '.');
        /* What is refused leaves the caller's structure alone. */
        assert_memory_equal(&options, &before, sizeof options);
    }
}

static void options_limits_are_kept(void **state)
{
    (void)state;
    static char lengthy[PATH_MAX + 16];
    struct options options;
    char message[400];
    const char *nine[19];
    for (int i = 0; i < 9; i++) {
        nine[2 * i] = "--listen";
        nine[2 * i + 1] = "127.0.0.1:0";
    }
    nine[18] = NULL;
    assert_false(read_words(nine, &options, message));
    assert_non_null(strstr(message, "--listen is given more than 8 times"));
    nine[16] = NULL;
    assert_true(read_words(nine, &options, message));
    assert_int_equal(options.listen_count, 8);
    setenv("RESIDUUM_HOST_NAME", "1 2 3 4 5 6 7 8 9", 1);
    assert_false(READ("--workers=1"));
    assert_non_null(strstr(message, "RESIDUUM_HOST_NAME is given more than 8 times"));

    memset(lengthy, 'x', sizeof lengthy - 1);
    assert_false(READ("--state", lengthy));
    assert_non_null(strstr(message, "--state is 4111 characters long")); /* 4096 + 15 */
    assert_false(READ("--listen", lengthy));
    assert_false(READ("--host-name", lengthy));
    setenv("RESIDUUM_HOST_NAME", lengthy, 1);
    assert_false(READ("--workers=1"));
    assert_non_null(strstr(message, "RESIDUUM_HOST_NAME"));
}

static void options_help_names_every_option(void **state)
{
    (void)state;
    static const char *const names[] = {"--listen ", "--state ",      "--workers ",
                                        "--worker ", "--max-upload ", "--host-name ",
                                        "--help ",   "--version ",    "RESIDUUM_LISTEN"};
    char text[4096] = "";
    FILE *out = fmemopen(text, sizeof text - 1, "w");
    assert_non_null(out);
    options_print_help(out);
    fclose(out);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        assert_non_null(strstr(text, names[i]));
    for (char *line = strtok(text, "\n"); line != NULL; line = strtok(NULL, "\n"))
        assert_in_range(strlen(line), 1, 100);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup(name, fresh_environment)
    const struct CMUnitTest tests[] = {
        TEST(options_default_is_as_documented),
        TEST(options_state_default_follows_xdg),
        TEST(options_command_line_is_read_in_both_forms),
        TEST(options_environment_yields_to_the_command_line),
        TEST(options_help_is_given_whatever_the_environment),
        TEST(options_refuse_with_a_sentence),
        TEST(options_limits_are_kept),
        TEST(options_help_names_every_option),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
