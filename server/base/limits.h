/** Every limit of the interface, each crossed by a test. */
#ifndef SERVER_BASE_LIMITS_H
#define SERVER_BASE_LIMITS_H

enum {
    LIMIT_JSON_BODY_BYTES = 256 * 1024,
    LIMIT_JSON_DEPTH = 16,
    LIMIT_HEADERS = 64,
    LIMIT_NAME_BYTES = 200,
    LIMIT_NOTE_BYTES = 2000,
    LIMIT_KEY_BYTES = 255,      /* of an Idempotency-Key … */
    LIMIT_KEY_S = 24 * 60 * 60, /* … and how long it is remembered */
    LIMIT_PAGE_ITEMS = 200,
    LIMIT_PAGE_ITEMS_DEFAULT = 50,
    LIMIT_PREFER_WAIT_S = 30,
    LIMIT_SERIES_POINTS_MIN = 2,
    LIMIT_SERIES_POINTS_MAX = 20000,
    LIMIT_QUEUE_LENGTH = 10000,
    LIMIT_INSPECT_S = 2,
    LIMIT_DESCRIBE_S = 5,
    LIMIT_HEALTH_BYTES = 256 * 1024, /* of what a worker tells of a recording */
    LIMIT_WORKER_JOBS = 500,         /* a worker is retired after so many */
    LIMIT_WORKER_ATTEMPTS = 2,       /* deaths of a worker before a job fails */
    LIMIT_DEADLINE_BASE_S = 60, /* of a job: this + 1 s per 4 MiB of capture or signal */
    LIMIT_DEADLINE_BYTES_PER_S = 4 << 20,
    LIMIT_RENDERED_MIB = 2048,   /* of rendered signals kept … */
    LIMIT_RENDERED_FILES = 1000, /* … and how many */
};

#endif
