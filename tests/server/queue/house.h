/** A store, a spool, workers and a queue in a fresh state folder; the worker is the test
 *  program itself (fake_worker.h). */
#ifndef TESTS_SERVER_QUEUE_HOUSE_H
#define TESTS_SERVER_QUEUE_HOUSE_H

#include <dirent.h>
#include <limits.h>
#include <poll.h>
#include <string.h>

#include "server/base/clock.h"
#include "server/base/ids.h"
#include "server/queue/queue.h"
#include "tests/server/workers/fake_worker.h"
#include "tests/support/support.h"

struct house {
    char folder[PATH_MAX];
    struct spool *spool;
    struct store *store;
    struct workers *workers;
    struct queue *queue;
    char capture[ID_BYTES]; /* a recording of 8 bytes */
    char sha256[65];
};

static inline void house_open_store(struct house *house)
{
    struct server_problem problem = {0};
    assert_true(spool_open(house->folder, &house->spool, &problem));
    assert_true(store_open(house->folder, &house->store, &problem));
}

static inline void house_start(struct house *house, int count)
{
    struct server_problem problem = {0};
    struct workers_config workers = {.program = "/proc/self/exe", .count = count};
    assert_true(workers_start(&workers, &house->workers, &problem));
    struct queue_config config = {.store = house->store,
                                  .spool = house->spool,
                                  .workers = house->workers,
                                  .runners = count};
    assert_true(queue_start(&config, &house->queue, &problem));
}

static inline void house_stop(struct house *house)
{
    queue_stop(house->queue);
    workers_stop(house->workers);
    house->queue = NULL;
    house->workers = NULL;
}

/** Keeps a recording of these 8 bytes, from now on the house's, and fills its row; its
 * health is known to be good. */
static inline void house_keep(struct house *house, const char *bytes,
                              struct store_capture *ret)
{
    struct server_problem problem = {0};
    struct spool_upload *upload;
    assert_true(spool_upload_begin(house->spool, 8, 100, &upload, &problem));
    spool_upload_write(upload, bytes, 8);
    assert_true(spool_upload_finish(upload, NULL, &problem));
    assert_true(spool_upload_keep(upload, &problem));
    *ret = (struct store_capture){.name = (char *)"unit A, take 1",
                                  .note = (char *)"",
                                  .tester = (char *)"mina",
                                  .received_ms = clock_wall_ms(),
                                  .bytes = 8,
                                  .warnings = (char *)"[]",
                                  .health = {.state = STORE_DONE}};
    id_new("cap", ret->id);
    memcpy(ret->sha256, spool_upload_sha256(upload), sizeof ret->sha256);
    spool_upload_free(upload);
    memcpy(house->capture, ret->id, sizeof ret->id);
    memcpy(house->sha256, ret->sha256, sizeof ret->sha256);
}

static inline void house_add_capture(struct house *house, const char *bytes)
{
    struct server_problem problem = {0};
    struct store_capture capture;
    house_keep(house, bytes, &capture);
    assert_true(store_capture_add(house->store,
                                  &(struct store_upload){.capture = &capture}, &problem));
}

static inline void house_open(struct house *house, int count)
{
    *house = (struct house){0};
    support_temporary_folder(house->folder);
    house_open_store(house);
    house_add_capture(house, "invented");
    house_start(house, count);
}

static inline void house_close(struct house *house)
{
    house_stop(house);
    store_close(house->store);
    spool_close(house->spool);
}

/** Path of a file in the state folder by which test and fake worker signal each other. */
static inline void house_path(const struct house *house, const char *name,
                              char path[PATH_MAX])
{
    snprintf(path, PATH_MAX, "%.3000s/%.100s", house->folder, name);
}

/** An analysis whose worker does `act` (with the file `name` of the state folder). */
static inline struct store_analysis house_analysis(const struct house *house,
                                                   const char *act, const char *name)
{
    char path[PATH_MAX] = "";
    if (name)
        house_path(house, name, path);
    json_t *settings = json_pack("{s:s, s:s}", "act", act, "path", path);
    struct store_analysis analysis = {.measurement = strdup("distortion"),
                                      .settings = json_dumps(settings, JSON_COMPACT),
                                      .tester = strdup("mina"),
                                      .state = STORE_QUEUED,
                                      .created_ms = clock_wall_ms()};
    json_decref(settings);
    id_new("ana", analysis.id);
    memcpy(analysis.capture, house->capture, sizeof analysis.capture);
    return analysis;
}

/** Adds such an analysis and fills its id. */
static inline void house_add(struct house *house, const char *act, const char *name,
                             char id[ID_BYTES])
{
    struct server_problem problem = {0};
    struct store_analysis analysis = house_analysis(house, act, name);
    assert_true(queue_add(house->queue, &analysis, &problem));
    memcpy(id, analysis.id, ID_BYTES);
    store_analysis_free(&analysis);
}

static inline enum store_state house_state(struct house *house, const char *id)
{
    struct queue_view view;
    assert_true(queue_get(house->queue, id, &view, NULL));
    enum store_state state = view.analysis.state;
    queue_view_free(&view);
    return state;
}

/** Waits until the analysis is in that state; 40 s at most. */
static inline void house_wait(struct house *house, const char *id, enum store_state want)
{
    enum store_state state = house_state(house, id);
    for (int i = 0; i < 8000 && state != want; i++) {
        poll(NULL, 0, 5);
        state = house_state(house, id);
    }
    assert_string_equal(store_state_text(state), store_state_text(want));
}

/** The code of the problem that the analysis failed with. */
static inline void house_code(struct house *house, const char *id, char code[64])
{
    struct store_analysis analysis;
    assert_true(store_analysis_get(house->store, id, &analysis, NULL));
    json_t *problem = json_loads(analysis.problem, 0, NULL);
    assert_true(json_string_length(json_object_get(problem, "title")) > 0);
    assert_true(json_string_length(json_object_get(problem, "detail")) > 0);
    snprintf(code, 64, "%s", json_string_value(json_object_get(problem, "code")));
    json_decref(problem);
    store_analysis_free(&analysis);
}

static inline void house_touch(const struct house *house, const char *name)
{
    char path[PATH_MAX];
    house_path(house, name, path);
    assert_true(fake_worker_first(path));
}

/** Files of attempts that are neither kept nor discarded. */
static inline int house_part_files(const struct house *house)
{
    char path[PATH_MAX];
    house_path(house, "results", path);
    DIR *folder = opendir(path);
    assert_non_null(folder);
    int count = 0;
    for (struct dirent *entry; (entry = readdir(folder)) != NULL;)
        count += strstr(entry->d_name, ".part") != NULL;
    closedir(folder);
    return count;
}

#endif
