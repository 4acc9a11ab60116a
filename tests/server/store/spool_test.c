/* The state folder: what is made, the lock, temporary files. */
#include "server/store/spool.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/support/support.h"

static void spool_open_makes_private_folders(void **state)
{
    (void)state;
    char base[PATH_MAX], folder[2 * PATH_MAX], path[3 * PATH_MAX];
    support_temporary_folder(base);
    snprintf(folder, sizeof folder, "%s/local/state/residuum", base);
    struct spool *spool = NULL;
    struct server_problem problem = {0};
    assert_true(spool_open(folder, &spool, &problem));
    static const char *const names[] = {
        "",         "/incoming", "/objects", "/objects/00", "/objects/ff",
        "/results", "/rendered"};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        struct stat facts;
        snprintf(path, sizeof path, "%s%s", folder, names[i]);
        assert_int_equal(stat(path, &facts), 0);
        assert_true(S_ISDIR(facts.st_mode));
        assert_int_equal(facts.st_mode & 0777, 0700);
    }
    spool_close(spool);
    assert_true(spool_open(folder, &spool, &problem)); /* again, on what is there */
    spool_close(spool);
}

static void spool_open_takes_a_relative_path(void **state)
{
    (void)state;
    char base[PATH_MAX], before[PATH_MAX];
    support_temporary_folder(base);
    assert_non_null(getcwd(before, sizeof before));
    assert_int_equal(chdir(base), 0);
    struct spool *spool = NULL;
    struct server_problem problem = {0};
    assert_true(spool_open("bench", &spool, &problem));
    spool_close(spool);
    assert_int_equal(access("bench/objects", F_OK), 0);
    assert_int_equal(chdir(before), 0);
}

static void spool_open_refuses_a_second_daemon(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct spool *spool = NULL, *second = NULL;
    struct server_problem problem = {0};
    assert_true(spool_open(folder, &spool, &problem));
    assert_false(spool_open(folder, &second, &problem)); /* within this process */
    assert_null(second);
    assert_int_equal(problem.code, SERVER_PROBLEM_CONFLICT);
    assert_non_null(strstr(problem.detail, folder));
    assert_non_null(strstr(problem.detail, "--state"));

    pid_t child = fork(); /* and from another one */
    assert_true(child >= 0);
    if (child == 0) {
        /* The child's copies of the descriptors hold the same lock; it opens its own. */
        struct server_problem refused = {0};
        _exit(!spool_open(folder, &second, &refused) &&
                      refused.code == SERVER_PROBLEM_CONFLICT
                  ? 0
                  : 1);
    }
    int status = -1;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);

    spool_close(spool);
    problem = (struct server_problem){0};
    assert_true(spool_open(folder, &spool, &problem)); /* free again */
    spool_close(spool);
}

static void spool_open_says_what_it_cannot_use(void **state)
{
    (void)state;
    char folder[PATH_MAX], path[2 * PATH_MAX];
    support_temporary_folder(folder);
    snprintf(path, sizeof path, "%s/file", folder);
    int file = open(path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(file >= 0);
    close(file);
    struct spool *spool = NULL;
    struct server_problem problem = {0};
    assert_false(spool_open(path, &spool, &problem));
    assert_int_equal(problem.code, SERVER_PROBLEM_UNAVAILABLE);
    assert_non_null(strstr(problem.detail, "Not a directory"));
    strcat(path, "/below");
    problem = (struct server_problem){0};
    assert_false(spool_open(path, &spool, &problem));
    assert_non_null(strstr(problem.detail, "Not a directory"));
    memset(path, 'x', PATH_MAX);
    path[PATH_MAX] = '\0';
    problem = (struct server_problem){0};
    assert_false(spool_open(path, &spool, &problem));
    assert_non_null(strstr(problem.detail, "File name too long"));
    assert_null(spool);
}

static void spool_free_bytes_are_those_of_the_file_system(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct spool *spool = NULL;
    struct server_problem problem = {0};
    assert_true(spool_open(folder, &spool, &problem));
    struct statvfs facts;
    assert_int_equal(statvfs(folder, &facts), 0);
    /* Others write meanwhile: within 5 %. */
    double want = (double)facts.f_bavail * (double)facts.f_frsize;
    assert_close((double)spool_free_bytes(spool), want, 0.05 * want);
    spool_close(spool);
}

static void spool_open_content_takes_digests_only(void **state)
{
    (void)state;
    char folder[PATH_MAX];
    support_temporary_folder(folder);
    struct spool *spool = NULL;
    struct server_problem problem = {0};
    assert_true(spool_open(folder, &spool, &problem));
    static const char *const wrong[] = {
        "", "../lock",
        "../../../../../../../../../../../../../../../../../../../etc/passwd",
        "E3B0C44298FC1C149AFBF4C8996FB92427AE41E4649B934CA495991B7852B855",
        "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_int_equal(spool_open_content(spool, wrong[i]), -1);
    spool_close(spool);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(spool_open_makes_private_folders),
        cmocka_unit_test(spool_open_takes_a_relative_path),
        cmocka_unit_test(spool_open_refuses_a_second_daemon),
        cmocka_unit_test(spool_open_says_what_it_cannot_use),
        cmocka_unit_test(spool_free_bytes_are_those_of_the_file_system),
        cmocka_unit_test(spool_open_content_takes_digests_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
