/**
 * Options of the daemon: --name VALUE or --name=VALUE on the command line, RESIDUUM_NAME
 * in the environment (dashes become underscores), then the default; the command line
 * wins. One table drives parsing, --help and the README.
 */
#ifndef SERVER_BASE_OPTIONS_H
#define SERVER_BASE_OPTIONS_H

#include <limits.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

enum { OPTIONS_LISTENERS_MAX = 8, OPTIONS_HOST_NAMES_MAX = 8 };

struct options {
    char listen[OPTIONS_LISTENERS_MAX]
               [128]; /* "127.0.0.1:8737", "[::1]:0", "localhost:0" */
    int listen_count;
    char state[PATH_MAX];      /* state folder; default $XDG_STATE_HOME/residuum or
                                  $HOME/.local/state/residuum */
    int workers;               /* 1…64; default: processors */
    uint64_t max_upload_bytes; /* default 4 GiB */
    char worker[PATH_MAX]; /* residuum-worker; default beside the daemon's executable */
    char host_names[OPTIONS_HOST_NAMES_MAX]
                   [256]; /* further names a request may call us */
    int host_name_count;
    bool help, version;
};

/** Reads command line and environment. On false, `message` (400 bytes) is the sentence to
 *  print; an address that is not loopback is refused here with its sentence. */
bool options_read(int argc, char *const *argv, struct options *ret, char *message)
    __attribute__((warn_unused_result));

/** Prints --help. */
void options_print_help(FILE *out);

#endif
