#include "server/base/options.h"

#include <arpa/inet.h>
#include <ctype.h>
#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

enum { MESSAGE_BYTES = 400, WORKERS_MAX = 64 };

#define MAX_UPLOAD_DEFAULT_BYTES (UINT64_C(4) << 30)
#define MAX_UPLOAD_LIMIT_BYTES (UINT64_C(1) << 40)

/* `origin` is how the value was given: "--workers" or "RESIDUUM_WORKERS". */
typedef bool take_value(const char *origin, const char *value, struct options *ret,
                        char *message);

static take_value take_listen, take_state, take_workers, take_max_upload, take_worker,
    take_host_name, take_flag;

struct specification {
    const char *name;
    const char *argument; /* NULL: takes none, and the environment cannot give it */
    bool repeats;
    take_value *take;
    const char *meaning; /* with the default */
};

static const struct specification specifications[] = {
    {"listen", "ADDRESS:PORT", true, take_listen,
     "loopback address to listen on; port 0 takes a free one\n"
     "(default 127.0.0.1:8737; repeatable, up to 8)"},
    {"state", "DIR", false, take_state,
     "folder of captures, results and database\n"
     "(default $XDG_STATE_HOME/residuum, else $HOME/.local/state/residuum)"},
    {"workers", "N", false, take_workers,
     "analyses at a time, 1 to 64 (default: the number of processors)"},
    {"max-upload", "BYTES", false, take_max_upload,
     "largest upload; K, M and G stand for 2^10, 2^20 and 2^30\n(default 4G, at most "
     "1024G)"},
    {"worker", "PATH", false, take_worker,
     "the program residuum-worker (default: beside this program)"},
    {"host-name", "NAME", true, take_host_name,
     "further name a request may call this host by (repeatable, up to 8)"},
    {"help", NULL, false, take_flag, "print this and exit"},
    {"version", NULL, false, take_flag, "print the version and exit"},
};

enum { OPTIONS = sizeof specifications / sizeof specifications[0] };

__attribute__((format(printf, 2, 3))) static bool refuse(char *message,
                                                         const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(message, MESSAGE_BYTES, format, arguments);
    va_end(arguments);
    return false;
}

/* Copies a value that must not be empty. */
static bool copy_text(const char *origin, const char *value, char *ret, size_t size,
                      char *message)
{
    size_t length = strlen(value);
    if (length == 0)
        return refuse(message, "%s is empty; give it a value.", origin);
    if (length >= size)
        return refuse(message, "%s is %zu characters long; at most %zu are possible.",
                      origin, length, size - 1);
    memcpy(ret, value, length + 1);
    return true;
}

/* Digits only: no sign, no blanks, nothing after them. */
static bool read_number(const char *digits, size_t length, uint64_t *ret)
{
    uint64_t number = 0;
    if (length == 0)
        return false;
    for (size_t i = 0; i < length; i++)
        if (digits[i] < '0' || digits[i] > '9' ||
            __builtin_mul_overflow(number, 10u, &number) ||
            __builtin_add_overflow(number, (uint64_t)(digits[i] - '0'), &number))
            return false;
    *ret = number;
    return true;
}

static bool is_loopback(const char *host, bool bracketed)
{
    struct in_addr four;
    struct in6_addr six;
    if (bracketed)
        return inet_pton(AF_INET6, host, &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
    if (inet_pton(AF_INET, host, &four) == 1)
        return (ntohl(four.s_addr) >> 24) == 127;
    return strcasecmp(host, "localhost") == 0;
}

static bool take_listen(const char *origin, const char *value, struct options *ret,
                        char *message)
{
    char host[sizeof ret->listen[0]] = "";
    if (!copy_text(origin, value, host, sizeof host, message))
        return false;
    if (ret->listen_count == OPTIONS_LISTENERS_MAX)
        return refuse(message, "%s is given more than %d times.", origin,
                      OPTIONS_LISTENERS_MAX);
    char *colon = strrchr(host, ':');
    bool bracketed = host[0] == '[';
    uint64_t port = 0;
    if (colon == NULL || !read_number(colon + 1, strlen(colon + 1), &port) ||
        (bracketed ? colon[-1] != ']' : strchr(host, ':') != colon))
        return refuse(message,
                      "%s %s is not ADDRESS:PORT; give it as 127.0.0.1:8737, "
                      "localhost:8737 or [::1]:8737.",
                      origin, value);
    if (port > 65535)
        return refuse(message, "%s %s: the port must be 0 to 65535 (0: any free one).",
                      origin, value);
    colon[bracketed ? -1 : 0] = '\0';
    if (!is_loopback(bracketed ? host + 1 : host, bracketed))
        return refuse(
            message,
            "%s %s: only loopback addresses (127.0.0.0/8, [::1], localhost) can "
            "be listened on, because requests are not authenticated; use "
            "127.0.0.1:%u.",
            origin, value, (unsigned)port);
    memcpy(ret->listen[ret->listen_count++], value, strlen(value) + 1);
    return true;
}

static bool take_state(const char *origin, const char *value, struct options *ret,
                       char *message)
{
    /* 128 bytes are left for the names below the folder. */
    return copy_text(origin, value, ret->state, sizeof ret->state - 128, message);
}

static bool take_workers(const char *origin, const char *value, struct options *ret,
                         char *message)
{
    uint64_t number = 0;
    if (!read_number(value, strlen(value), &number) || number < 1 || number > WORKERS_MAX)
        return refuse(message, "%s %.100s: give a whole number from 1 to %d.", origin,
                      value, WORKERS_MAX);
    ret->workers = (int)number;
    return true;
}

static bool take_max_upload(const char *origin, const char *value, struct options *ret,
                            char *message)
{
    size_t length = strlen(value);
    const char *suffix = length > 0 ? strchr("KMG", value[length - 1]) : NULL;
    unsigned shift = 0;
    if (suffix != NULL) {
        shift = value[length - 1] == 'K' ? 10 : value[length - 1] == 'M' ? 20 : 30;
        length--;
    }
    uint64_t number = 0;
    if (!read_number(value, length, &number) || number < 1 ||
        number > MAX_UPLOAD_LIMIT_BYTES >> shift)
        return refuse(
            message,
            "%s %.100s: give 1 to %llu bytes, as a whole number with or without "
            "K, M or G (2^10, 2^20, 2^30 bytes), for example 4G.",
            origin, value, (unsigned long long)MAX_UPLOAD_LIMIT_BYTES);
    ret->max_upload_bytes = number << shift;
    return true;
}

static bool take_worker(const char *origin, const char *value, struct options *ret,
                        char *message)
{
    return copy_text(origin, value, ret->worker, sizeof ret->worker, message);
}

static bool take_host_name(const char *origin, const char *value, struct options *ret,
                           char *message)
{
    if (ret->host_name_count == OPTIONS_HOST_NAMES_MAX)
        return refuse(message, "%s is given more than %d times.", origin,
                      OPTIONS_HOST_NAMES_MAX);
    char *name = ret->host_names[ret->host_name_count];
    if (!copy_text(origin, value, name, sizeof ret->host_names[0], message))
        return false;
    for (const char *at = value; *at != '\0'; at++)
        if (!isalnum((unsigned char)*at) && strchr("-._", *at) == NULL)
            return refuse(
                message,
                "%s %s: a host name has letters, digits, '-', '.' and '_' only, "
                "and no port.",
                origin, value);
    ret->host_name_count++;
    return true;
}

static bool take_flag(const char *origin, const char *value, struct options *ret,
                      char *message)
{
    (void)value, (void)message;
    *(strcmp(origin, "--help") == 0 ? &ret->help : &ret->version) = true;
    return true;
}

/* The option that `word` ("--name" or "--name=VALUE") names, or −1. */
static int find_option(const char *word)
{
    for (int i = 0; i < OPTIONS; i++) {
        size_t length = strlen(specifications[i].name);
        if (strncmp(word, "--", 2) == 0 &&
            strncmp(word + 2, specifications[i].name, length) == 0 &&
            (word[2 + length] == '\0' || word[2 + length] == '='))
            return i;
    }
    return -1;
}

static bool read_command_line(int argc, char *const *argv, struct options *ret,
                              bool given[OPTIONS], char *message)
{
    for (int i = 1; i < argc; i++) {
        int option = find_option(argv[i]);
        if (option < 0)
            return refuse(message, "%.100s is not an option; --help lists them.",
                          argv[i]);
        const struct specification *is = &specifications[option];
        char origin[64];
        snprintf(origin, sizeof origin, "--%s", is->name);
        const char *value = strchr(argv[i], '=');
        if (is->argument == NULL && value != NULL)
            return refuse(message, "%s takes no value.", origin);
        if (is->argument != NULL && value == NULL && i + 1 == argc)
            return refuse(message, "%s needs a value: %s %s.", origin, origin,
                          is->argument);
        if (given[option] && !is->repeats && is->argument != NULL)
            return refuse(message, "%s is given twice; give it once.", origin);
        if (value != NULL)
            value++;
        else if (is->argument != NULL)
            value = argv[++i];
        if (!is->take(origin, value, ret, message))
            return false;
        given[option] = true;
    }
    return true;
}

/* A list is separated by blanks or commas; an empty variable counts as not set. */
static bool take_list(const struct specification *is, const char *origin,
                      const char *list, struct options *ret, char *message)
{
    char item[512];
    for (;;) {
        list += strspn(list, " \t,");
        size_t length = strcspn(list, " \t,");
        if (length == 0)
            return true;
        if (length >= sizeof item)
            return refuse(message,
                          "%s holds an item of %zu characters; at most %zu are "
                          "possible.",
                          origin, length, sizeof item - 1);
        memcpy(item, list, length);
        item[length] = '\0';
        if (!is->take(origin, item, ret, message))
            return false;
        list += length;
    }
}

/* "max-upload" → "RESIDUUM_MAX_UPLOAD". */
static void environment_name(const char *option, char *ret, size_t size)
{
    int start = snprintf(ret, size, "RESIDUUM_");
    snprintf(ret + start, size - (size_t)start, "%s", option);
    for (char *at = ret; *at != '\0'; at++)
        *at = *at == '-' ? '_' : (char)toupper((unsigned char)*at);
}

static bool read_environment(const bool given[OPTIONS], struct options *ret,
                             char *message)
{
    for (int option = 0; option < OPTIONS; option++) {
        const struct specification *is = &specifications[option];
        char name[64];
        environment_name(is->name, name, sizeof name);
        const char *value = getenv(name);
        if (is->argument == NULL || given[option] || value == NULL || value[0] == '\0')
            continue;
        if (is->repeats ? !take_list(is, name, value, ret, message)
                        : !is->take(name, value, ret, message))
            return false;
    }
    return true;
}

static bool default_state(struct options *ret, char *message)
{
    const char *base = getenv("XDG_STATE_HOME");
    const char *home = getenv("HOME");
    char path[PATH_MAX];
    int length = 0;
    if (base != NULL && base[0] == '/') /* relative ones are to be ignored (XDG) */
        length = snprintf(path, sizeof path, "%s/residuum", base);
    else if (home != NULL && home[0] == '/')
        length = snprintf(path, sizeof path, "%s/.local/state/residuum", home);
    else
        return refuse(message, "Neither XDG_STATE_HOME nor HOME is set; name the state "
                               "folder with --state DIR.");
    if (length >= (int)sizeof path)
        return refuse(message,
                      "The state folder's default path is too long (%d bytes); "
                      "name another with --state DIR.",
                      length);
    return take_state("The default of --state", path, ret, message);
}

static bool default_worker(struct options *ret, char *message)
{
    char program[PATH_MAX];
    ssize_t length = readlink("/proc/self/exe", program, sizeof program - 1);
    if (length < 0)
        return refuse(
            message,
            "The folder of this program cannot be read from /proc/self/exe (%s); "
            "name the worker with --worker PATH.",
            strerror(errno));
    program[length] = '\0';
    *strrchr(program, '/') = '\0';
    int needed = snprintf(ret->worker, sizeof ret->worker, "%s/residuum-worker", program);
    if (needed >= (int)sizeof ret->worker)
        return refuse(message,
                      "The worker's default path is too long (%d bytes); name "
                      "another with --worker PATH.",
                      needed);
    return true;
}

static bool fill_defaults(struct options *ret, char *message)
{
    if (ret->listen_count == 0)
        snprintf(ret->listen[ret->listen_count++], sizeof ret->listen[0],
                 "127.0.0.1:8737");
    if (ret->max_upload_bytes == 0)
        ret->max_upload_bytes = MAX_UPLOAD_DEFAULT_BYTES;
    if (ret->workers == 0) {
        long processors = sysconf(_SC_NPROCESSORS_ONLN);
        ret->workers = (int)(processors < WORKERS_MAX ? processors : WORKERS_MAX);
    }
    return (ret->state[0] != '\0' || default_state(ret, message)) &&
           (ret->worker[0] != '\0' || default_worker(ret, message));
}

bool options_read(int argc, char *const *argv, struct options *ret, char *message)
{
    bool given[OPTIONS] = {false};
    struct options options = {0};
    if (!read_command_line(argc, argv, &options, given, message))
        return false;
    /* Who asks for help gets it, whatever the environment says. */
    if (!options.help && !options.version &&
        !(read_environment(given, &options, message) && fill_defaults(&options, message)))
        return false;
    *ret = options;
    return true;
}

void options_print_help(FILE *out)
{
    enum { MEANING_COLUMN = 28 };
    fputs(
        "residuumd: measures recordings of audio converters and headphone amplifiers,\n"
        "asked over HTTP on this computer.\n\nOptions (--name VALUE or --name=VALUE):\n",
        out);
    for (int i = 0; i < OPTIONS; i++) {
        const struct specification *is = &specifications[i];
        int column = fprintf(out, "  --%s%s%s", is->name, is->argument ? " " : "",
                             is->argument ? is->argument : "");
        fprintf(out, "%*s", MEANING_COLUMN - column, "");
        for (const char *at = is->meaning; *at != '\0'; at++) {
            fputc(*at, out);
            if (*at == '\n')
                fprintf(out, "%*s", MEANING_COLUMN, "");
        }
        fputc('\n', out);
    }
    fputs(
        "\nEach option with a value may also be given in the environment: "
        "RESIDUUM_LISTEN "
        "for\n--listen, RESIDUUM_MAX_UPLOAD for --max-upload and so on (lists separated "
        "by blanks\nor commas). The command line wins.\n",
        out);
}
