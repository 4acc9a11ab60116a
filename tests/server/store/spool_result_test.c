/* Results of analyses: attempts, the one that is kept, names that are refused. */
#include "server/store/spool.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "tests/support/support.h"

static const char id[] = "ana_abcdefghijklmnopqrst";
static char folder[PATH_MAX];

static int open_spool(void **state)
{
    struct server_problem problem = {0};
    support_temporary_folder(folder);
    return spool_open(folder, (struct spool **)state, &problem) ? 0 : -1;
}

static int close_spool(void **state)
{
    spool_close(*state);
    return 0;
}

static void write_text(int file, const char *text)
{
    assert_true(file >= 0);
    assert_int_equal(write(file, text, strlen(text)), strlen(text));
}

static void assert_result(const struct spool *spool, const char *text)
{
    char got[64] = "";
    int file = spool_open_result(spool, id);
    assert_true(file >= 0);
    assert_true(fcntl(file, F_GETFD) & FD_CLOEXEC);
    assert_int_equal(fcntl(file, F_GETFL) & O_ACCMODE, O_RDONLY);
    assert_int_equal(read(file, got, sizeof got - 1), strlen(text));
    assert_string_equal(got, text);
    close(file);
}

static bool part_exists(int attempt)
{
    char path[2 * PATH_MAX];
    snprintf(path, sizeof path, "%s/results/%s.%d.part", folder, id, attempt);
    return access(path, F_OK) == 0;
}

static void result_appears_only_when_kept(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    int file = spool_result_begin(spool, id, 1, &problem);
    write_text(file, "figures");
    close(file);
    assert_true(part_exists(1));
    assert_int_equal(spool_open_result(spool, id), -1);
    assert_true(spool_result_keep(spool, id, 1, &problem));
    assert_false(part_exists(1));
    assert_result(spool, "figures");
}

static void result_attempts_are_files_of_their_own(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    int first = spool_result_begin(spool, id, 1, &problem);
    int second = spool_result_begin(spool, id, 2, &problem);
    write_text(first, "first");
    write_text(second, "second");
    assert_true(spool_result_keep(spool, id, 2, &problem));
    spool_result_discard(spool, id, 1);
    assert_false(part_exists(1));
    write_text(first, " and too late");
    assert_result(spool, "second");
    close(first);
    close(second);
}

static void result_attempt_begun_again_is_empty(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    int old = spool_result_begin(spool, id, 1, &problem);
    write_text(old, "half a resu");
    int again = spool_result_begin(spool, id, 1, &problem);
    write_text(again, "whole");
    write_text(old, "a killed worker's last words");
    assert_true(spool_result_keep(spool, id, 1, &problem));
    assert_result(spool, "whole");
    close(old);
    close(again);
}

static void result_kept_again_replaces_the_former(void **state)
{
    struct spool *spool = *state;
    struct server_problem problem = {0};
    for (int attempt = 1; attempt <= 2; attempt++) {
        int file = spool_result_begin(spool, id, attempt, &problem);
        write_text(file, attempt == 1 ? "before the crash" : "after");
        close(file);
        assert_true(spool_result_keep(spool, id, attempt, &problem));
    }
    assert_result(spool, "after");
}

static void result_without_a_file_cannot_be_kept(void **state)
{
    struct server_problem problem = {0};
    assert_false(spool_result_keep(*state, id, 1, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "No such file"));
    spool_result_discard(*state, id, 1); /* harmless */
}

static void result_names_lead_nowhere_else(void **state)
{
    static const char *const wrong[] = {
        "", ".", "..", "../lock", "../residuum.db", "ana_abcdefghijklmnopqrst.1.part"};
    struct server_problem problem = {0};
    int file = spool_result_begin(*state, id, 1, &problem);
    close(file);
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_int_equal(spool_open_result(*state, wrong[i]), -1);
}

int main(void)
{
#define TEST(name) cmocka_unit_test_setup_teardown(name, open_spool, close_spool)
    const struct CMUnitTest tests[] = {
        TEST(result_appears_only_when_kept),
        TEST(result_attempts_are_files_of_their_own),
        TEST(result_attempt_begun_again_is_empty),
        TEST(result_kept_again_replaces_the_former),
        TEST(result_without_a_file_cannot_be_kept),
        TEST(result_names_lead_nowhere_else),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
