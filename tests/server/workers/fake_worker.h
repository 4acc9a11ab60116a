/**
 * A worker that behaves as a test tells it. The test program runs itself as the worker:
 * its main hands over to fake_worker when called with --serve. What to do stands in the
 * request's settings, or in the parameters of the signal of a recording whose health is
 * asked for, {"act":…}; what to do at the start in the name by which the program
 * is called (a symbolic link made with fake_worker_link).
 */
#ifndef TESTS_SERVER_WORKERS_FAKE_WORKER_H
#define TESTS_SERVER_WORKERS_FAKE_WORKER_H

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

#include "analysis/worker/wire.h"
#include "tests/server/workers/health_answer.h"

extern char **environ;

static inline void fake_worker_say(int socket, const char *text)
{
    if (wire_send(socket, text, strlen(text), NULL, 0) != WIRE_OK)
        _exit(3);
}

/** {"answer":"done","engine":{pid, group, environment, open},"measurements":[],
 * "signals":[]} */
static inline void fake_worker_describe(int socket)
{
    json_t *environment = json_array(), *open = json_array();
    for (char **entry = environ; *entry; entry++)
        json_array_append_new(environment, json_string(*entry));
    for (int i = 0; i < 256; i++)
        if (fcntl(i, F_GETFD) >= 0)
            json_array_append_new(open, json_integer(i));
    json_t *answer =
        json_pack("{s:s, s:{s:i, s:i, s:o, s:o}, s:[], s:[]}", "answer", "done", "engine",
                  "pid", (int)getpid(), "group", (int)getpgrp(), "environment",
                  environment, "open", open, "measurements", "signals");
    char *text = json_dumps(answer, JSON_COMPACT);
    fake_worker_say(socket, text);
    free(text);
    json_decref(answer);
}

static inline void fake_worker_hang(void)
{
    for (;;)
        pause();
}

/** True the first time that it is called for this path, in whatever process. */
static inline bool fake_worker_first(const char *path)
{
    int made = open(path, O_CREAT | O_EXCL | O_WRONLY | O_CLOEXEC, 0600);
    if (made < 0)
        return false;
    close(made);
    return true;
}

static inline void fake_worker_write_result(const struct wire_frame *frame)
{
    static const char result[sizeof(struct wire_result_header)] = WIRE_RESULT_MAGIC;
    /* the result comes after the capture where there is one, and before the floor's */
    size_t count = frame->descriptor_count, place = count > 1;
    if (count == 0 ||
        write(frame->descriptors[place], result, sizeof result) != (ssize_t)sizeof result)
        _exit(4);
}

static inline void fake_worker_health(int socket, const json_t *parameters)
{
    const char *act = json_string_value(json_object_get(parameters, "act"));
    const char *path = json_string_value(json_object_get(parameters, "path"));
    act = act ? act : "done";
    if (strcmp(act, "crash") == 0 ||
        (strcmp(act, "crash-once") == 0 && fake_worker_first(path)))
        kill(getpid(), SIGKILL);
    if (strcmp(act, "break-out") == 0)
        kill(getpid(), SIGSYS);
    if (strcmp(act, "wait-for-file") == 0)
        while (access(path, F_OK) != 0)
            poll(NULL, 0, 5);
    if (strcmp(act, "hang") == 0)
        fake_worker_hang();
    if (strcmp(act, "refuse") == 0) {
        char text[200];
        snprintf(text, sizeof text,
                 "{\"answer\":\"problem\",\"code\":\"%s\",\"field\":\"channel\","
                 "\"detail\":\"Frame 7 is not a number.\"}",
                 json_string_value(json_object_get(parameters, "code")));
        fake_worker_say(socket, text);
        return;
    }
    fake_worker_say(socket, HEALTH_ANSWER);
}

/** Tells the signal that came with the request, as the detail of a problem. */
static inline void fake_worker_read_signal(int socket, const json_t *request)
{
    char *signal = json_dumps(json_object_get(request, "signal"),
                              JSON_COMPACT | JSON_SORT_KEYS | JSON_ENCODE_ANY);
    json_t *answer = json_pack("{s:s, s:s, s:n, s:s}", "answer", "problem", "code",
                               "not_measurable", "field", "detail", signal);
    char *text = json_dumps(answer, JSON_COMPACT);
    fake_worker_say(socket, text);
    free(text);
    free(signal);
    json_decref(answer);
}

/** Tells the warnings that were handed over with the request, by their codes. */
static inline void fake_worker_read_health(int socket, const json_t *request)
{
    char text[200];
    const char *codes[2] = {"none", "none"};
    static const char *const members[] = {"health", "floor_health"};
    for (int i = 0; i < 2; i++) {
        const json_t *warnings =
            json_object_get(json_object_get(request, members[i]), "warnings");
        const json_t *first = json_array_get(warnings, 0);
        if (first != NULL)
            codes[i] = json_string_value(json_object_get(first, "code"));
    }
    snprintf(text, sizeof text,
             "{\"answer\":\"problem\",\"code\":\"not_measurable\",\"field\":null,"
             "\"detail\":\"%s and %s\"}",
             codes[0], codes[1]);
    fake_worker_say(socket, text);
}

static inline void fake_worker_measure(int socket, const struct wire_frame *frame,
                                       const json_t *settings)
{
    const char *act = json_string_value(json_object_get(settings, "act"));
    const char *path = json_string_value(json_object_get(settings, "path"));
    act = act ? act : "done";
    if (strcmp(act, "crash") == 0)
        kill(getpid(), SIGKILL);
    if (strcmp(act, "break-out") == 0) /* as the kernel ends a worker that does */
        kill(getpid(), SIGSYS);
    if (strcmp(act, "hang-up") == 0) { /* closes its socket and lives on */
        close(socket);
        fake_worker_hang();
    }
    if (strcmp(act, "crash-once") == 0 && fake_worker_first(path))
        kill(getpid(), SIGKILL);
    if (strcmp(act, "full-once") == 0 && fake_worker_first(path)) {
        fake_worker_say(socket, "{\"answer\":\"problem\",\"code\":\"disk_full\","
                                "\"field\":null,\"detail\":\"No space left.\"}");
        return;
    }
    if (strcmp(act, "hang") == 0)
        fake_worker_hang();
    if (strcmp(act, "wait-for-file") == 0)
        while (access(path, F_OK) != 0)
            poll(NULL, 0, 5);
    if (strcmp(act, "say") == 0) {
        fake_worker_say(socket, json_string_value(json_object_get(settings, "text")));
        return;
    }
    if (strcmp(act, "refuse") == 0) {
        fake_worker_say(socket, "{\"answer\":\"problem\",\"code\":\"not_measurable\","
                                "\"field\":\"duration_s\",\"detail\":\"too short\"}");
        return;
    }
    if (strcmp(act, "read-floor") == 0) {
        char text[120], bytes[9] = "";
        if (frame->descriptor_count == 3 && read(frame->descriptors[2], bytes, 8) != 8)
            _exit(5);
        snprintf(text, sizeof text,
                 "{\"answer\":\"problem\",\"code\":\"not_measurable\",\"field\":null,"
                 "\"detail\":\"floor %s\"}",
                 bytes);
        fake_worker_say(socket, text);
        return;
    }
    if (strcmp(act, "io-error") == 0) {
        fake_worker_say(socket, "{\"answer\":\"problem\",\"code\":\"unavailable\","
                                "\"field\":null,\"detail\":\"not read\"}");
        return;
    }
    if (strcmp(act, "no-memory") == 0) {
        fake_worker_say(socket, "{\"answer\":\"problem\",\"code\":\"out_of_memory\","
                                "\"field\":null,\"detail\":\"too long\"}");
        return;
    }
    if (strcmp(act, "progress") == 0) {
        fake_worker_say(socket, "{\"answer\":\"progress\",\"fraction\":0.25}");
        fake_worker_say(socket, "{\"answer\":\"progress\",\"fraction\":0.5}");
        while (path && access(path, F_OK) != 0)
            poll(NULL, 0, 5);
    }
    if (strcmp(act, "empty-result") != 0)
        fake_worker_write_result(frame);
    fake_worker_say(socket, "{\"answer\":\"done\"}");
    if (strcmp(act, "exit-after") == 0)
        _exit(0);
    if (strcmp(act, "break-out-after") == 0)
        kill(getpid(), SIGSYS);
    if (strcmp(act, "chatter-after") == 0)
        fake_worker_say(socket, "{\"answer\":\"done\"}");
}

/** Serves like a worker; the exit status of the process. */
static inline int fake_worker(int argc, char **argv)
{
    int socket = argc == 3 ? atoi(argv[2]) : -1;
    if (strstr(argv[0], "dies-at-start"))
        return 7;
    if (strstr(argv[0], "hangs-at-start"))
        fake_worker_hang();
    for (;;) {
        struct wire_frame frame;
        if (wire_receive(socket, -1, &frame) != WIRE_OK)
            return 0;
        json_t *request = json_loadb(frame.json, frame.length, 0, NULL);
        const char *name = json_string_value(json_object_get(request, "request"));
        if (name && strcmp(name, "describe") == 0)
            fake_worker_describe(socket);
        else if (name && strcmp(name, "health") == 0)
            fake_worker_health(socket, json_object_get(json_object_get(request, "signal"),
                                                       "parameters"));
        else if (json_object_get(json_object_get(request, "settings"), "read-health"))
            fake_worker_read_health(socket, request);
        else if (json_object_get(json_object_get(request, "settings"), "read-signal"))
            fake_worker_read_signal(socket, request);
        else
            fake_worker_measure(socket, &frame, json_object_get(request, "settings"));
        json_decref(request);
        wire_frame_free(&frame);
        if (strstr(argv[0], "exits-when-idle"))
            return 0;
    }
}

/** Fills path (PATH_MAX bytes) with a link of that name in the folder to this program. */
static inline bool fake_worker_link(const char *folder, const char *name, char *path)
{
    char self[PATH_MAX];
    ssize_t length = readlink("/proc/self/exe", self, sizeof self - 1);
    if (length < 0 || strlen(folder) + strlen(name) + 2 > PATH_MAX)
        return false;
    self[length] = '\0';
    snprintf(path, PATH_MAX, "%.3000s/%.1000s", folder, name);
    return symlink(self, path) == 0 || errno == EEXIST;
}

#endif
