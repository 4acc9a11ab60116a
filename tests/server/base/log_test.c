#include "server/base/log.h"

#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"

enum { THREADS = 4, LINES_EACH = 200, CAUGHT_BYTES = 256 * 1024 };

/* Runs `act` with standard error going to a file; the caller frees the text. */
static char *caught(void (*act)(void))
{
    FILE *file = tmpfile();
    assert_non_null(file);
    int kept = dup(STDERR_FILENO);
    dup2(fileno(file), STDERR_FILENO);
    act();
    dup2(kept, STDERR_FILENO);
    close(kept);
    char *text = calloc(1, CAUGHT_BYTES);
    assert_non_null(text);
    rewind(file);
    size_t length = fread(text, 1, CAUGHT_BYTES - 1, file);
    text[length] = '\0';
    fclose(file);
    return text;
}

static void log_one(void)
{
    log_line(LOG_LEVEL_WARNING, "%d captures are lost", 3);
}

static void log_line_has_time_level_and_text(void **state)
{
    (void)state;
    char *text = caught(log_one);
    /* "2026-11-25T01:02:03.456Z" is 24 characters long (RFC 3339). */
    assert_true(strlen(text) > 25 && text[10] == 'T' && text[23] == 'Z');
    assert_string_equal(text + 24, " warning: 3 captures are lost\n");
    free(text);
}

static void log_each_level(void)
{
    log_line(LOG_LEVEL_INFO, "a");
    log_line(LOG_LEVEL_ERROR, "b");
    log_line(LOG_LEVEL_CRITICAL, "c");
}

static void log_line_names_its_level(void **state)
{
    (void)state;
    char *text = caught(log_each_level);
    assert_non_null(strstr(text, " info: a\n"));
    assert_non_null(strstr(text, " error: b\n"));
    assert_non_null(strstr(text, " critical: c\n"));
    free(text);
}

static void log_hostile(void)
{
    log_line(LOG_LEVEL_INFO, "name %s", "a\nb\033[31m\177");
}

static void log_line_keeps_control_characters_out(void **state)
{
    (void)state;
    char *text = caught(log_hostile);
    assert_string_equal(text + 24, " info: name a?b?[31m?\n");
    free(text);
}

static void log_long(void)
{
    char lengthy[3000];
    memset(lengthy, 'x', sizeof lengthy - 1);
    lengthy[sizeof lengthy - 1] = '\0';
    log_line(LOG_LEVEL_ERROR, "%s", lengthy);
}

static void log_line_is_cut_but_ends(void **state)
{
    (void)state;
    char *text = caught(log_long);
    size_t length = strlen(text);
    assert_in_range(length, 1000, 1024);
    assert_true(strchr(text, '\n') == text + length - 1);
    free(text);
}

static void *log_many(void *context)
{
    for (int i = 0; i < LINES_EACH; i++)
        log_line(LOG_LEVEL_INFO, "%s", (const char *)context);
    return NULL;
}

static void log_from_threads(void)
{
    pthread_t threads[THREADS];
    for (int i = 0; i < THREADS; i++)
        pthread_create(&threads[i], NULL, log_many, "one whole line");
    for (int i = 0; i < THREADS; i++)
        pthread_join(threads[i], NULL);
}

static void log_lines_of_threads_do_not_mix(void **state)
{
    (void)state;
    char *text = caught(log_from_threads);
    int lines = 0;
    for (char *line = strtok(text, "\n"); line != NULL; line = strtok(NULL, "\n")) {
        assert_int_equal(strlen(line), 24 + strlen(" info: one whole line"));
        assert_string_equal(line + 24, " info: one whole line");
        lines++;
    }
    assert_int_equal(lines, THREADS * LINES_EACH);
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(log_line_has_time_level_and_text),
        cmocka_unit_test(log_line_names_its_level),
        cmocka_unit_test(log_line_keeps_control_characters_out),
        cmocka_unit_test(log_line_is_cut_but_ends),
        cmocka_unit_test(log_lines_of_threads_do_not_mix),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
