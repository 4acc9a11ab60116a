#include "server/http/target.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include <jansson.h>

static int hex_value(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    c = (char)(c | 0x20);
    return c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static bool is_utf8(const char *text)
{
    json_t *string = json_string(text); /* NULL unless it is UTF-8 */
    json_decref(string);
    return string != NULL;
}

/* Decodes a zero-terminated piece in place: it only ever gets shorter. */
static bool decode(char *piece, bool is_query, struct server_problem *problem)
{
    char *to = piece;
    bool ascii = true;
    for (const char *from = piece; *from != '\0'; to++) {
        if ((unsigned char)*from < 0x20 || *from == 0x7f)
            return server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, "",
                                      "The target of the request holds the control byte "
                                      "0x%02x; percent-encode it.",
                                      (unsigned char)*from);
        if (*from != '%') {
            *to = is_query && *from == '+' ? ' ' : *from;
            ascii = ascii && (unsigned char)*from < 0x80;
            from++;
            continue;
        }
        int high = hex_value(from[1]);
        int low = high < 0 ? -1 : hex_value(from[2]);
        if (low < 0)
            return server_problem_set(
                problem, SERVER_PROBLEM_BAD_REQUEST, "",
                "The target of the request holds a %% that is not followed by two "
                "hexadecimal digits; write %%25 for a percent sign.");
        if (high == 0 && low == 0)
            return server_problem_set(
                problem, is_query ? SERVER_PROBLEM_BAD_REQUEST : SERVER_PROBLEM_NOT_FOUND,
                "", "No name or value here holds a zero byte, %%00.");
        *to = (char)(high * 16 + low);
        ascii = ascii && high < 8;
        from += 3;
    }
    *to = '\0';
    if (!ascii && !is_utf8(piece))
        return server_problem_set(
            problem, SERVER_PROBLEM_BAD_REQUEST, "",
            "The target of the request is not UTF-8 once its percent signs are decoded.");
    return true;
}

static bool parse_path(char *path, struct target *target, struct server_problem *problem)
{
    for (char *next = path; next != NULL;) {
        char *segment = next;
        next = strchr(segment, '/');
        if (next != NULL)
            *next++ = '\0';
        if (target->segment_count == TARGET_SEGMENTS_MAX)
            return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, "",
                                      "No path here has more than %d parts; see /v1/.",
                                      TARGET_SEGMENTS_MAX);
        if (!decode(segment, false, problem))
            return false;
        target->segments[target->segment_count++] = segment;
    }
    return true;
}

/* A list: one value each time. */
static bool repeats(const char *name)
{
    return strcmp(name, "measure") == 0;
}

static bool add_parameter(char *name, struct target *target,
                          struct server_problem *problem)
{
    char *value = strchr(name, '=');
    if (value != NULL)
        *value++ = '\0';
    if (!decode(name, true, problem) || (value != NULL && !decode(value, true, problem)))
        return false;
    if (target_get(target, name) != NULL && !repeats(name))
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, name,
                                  "The parameter \"%.60s\" is given twice; give it once.",
                                  name);
    if (target->parameter_count == TARGET_PARAMETERS_MAX)
        return server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, "",
                                  "The query holds more than %d parameters; give fewer.",
                                  TARGET_PARAMETERS_MAX);
    target->parameters[target->parameter_count++] =
        (struct target_parameter){name, value != NULL ? value : ""};
    return true;
}

static bool parse_query(char *query, struct target *target,
                        struct server_problem *problem)
{
    while (query != NULL) {
        char *pair = query;
        query = strchr(pair, '&');
        if (query != NULL)
            *query++ = '\0';
        if (*pair != '\0' && !add_parameter(pair, target, problem))
            return false;
    }
    return true;
}

/* "http://host:port/path" becomes authority and path. The authority is moved one byte to
 * the front, over the second slash, so that its terminating zero leaves the path's slash.
 */
static char *take_authority(char *text, struct target *target)
{
    static const char scheme[] = "http://";
    if (strncasecmp(text, scheme, sizeof scheme - 1) != 0)
        return text;
    char *given = text + sizeof scheme - 1, *authority = given - 1;
    size_t length = strcspn(given, "/?");
    memmove(authority, given, length);
    authority[length] = '\0';
    target->authority = authority;
    return given + length;
}

bool target_parse(const char *raw, struct target *ret, struct server_problem *problem)
{
    struct target target = {.buffer = strdup(raw)};
    if (target.buffer == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory left to read the request.");
    char *path = take_authority(target.buffer, &target);
    char *query = strchr(path, '?');
    if (query != NULL)
        *query++ = '\0';
    if (*path == '/')
        path++;
    if (!parse_path(path, &target, problem) || !parse_query(query, &target, problem)) {
        target_free(&target);
        return false;
    }
    *ret = target;
    return true;
}

void target_free(struct target *target)
{
    free(target->buffer);
    *target = (struct target){0};
}

const char *target_get(const struct target *target, const char *name)
{
    for (int i = 0; i < target->parameter_count; i++)
        if (strcmp(target->parameters[i].name, name) == 0)
            return target->parameters[i].value;
    return NULL;
}

bool target_word_among(const char *word, const char *words)
{
    size_t length = strlen(word);
    while (*words != '\0') {
        size_t next = strcspn(words, " ");
        if (next == length && length > 0 && memcmp(word, words, length) == 0)
            return true;
        words += next;
        words += strspn(words, " ");
    }
    return false;
}

bool target_check_known(const struct target *target, const char *known,
                        struct server_problem *problem)
{
    for (int i = 0; i < target->parameter_count; i++) {
        const char *name = target->parameters[i].name;
        if (target_word_among(name, known))
            continue;
        if (*known == '\0')
            return server_problem_set(problem, SERVER_PROBLEM_UNKNOWN_FIELD, name,
                                      "There is no parameter \"%.60s\" here; this path "
                                      "takes none.",
                                      name);
        char list[TARGET_LIST_BYTES];
        target_list_words(known, list);
        return server_problem_set(problem, SERVER_PROBLEM_UNKNOWN_FIELD, name,
                                  "There is no parameter \"%.60s\" here; known: %s.",
                                  name, list);
    }
    return true;
}

void target_list_words(const char *words, char list[TARGET_LIST_BYTES])
{
    size_t used = 0;
    for (; *words != '\0' && used + 3 < TARGET_LIST_BYTES; words++) {
        if (*words == ' ')
            list[used++] = ',';
        list[used++] = *words;
    }
    list[used] = '\0';
}

void target_append_encoded(char *buffer, unsigned size, const char *text)
{
    static const char digits[] = "0123456789ABCDEF";
    size_t start = strlen(buffer), used = start;
    for (const char *c = text; *c != '\0'; c++) {
        unsigned char byte = (unsigned char)*c;
        bool plain = byte < 0x80 && (isalnum(byte) || strchr("-._~", byte) != NULL);
        if (used + (plain ? 1 : 3) >= size) {
            buffer[start] = '\0';
            return;
        }
        if (plain) {
            buffer[used++] = (char)byte;
        } else {
            buffer[used++] = '%';
            buffer[used++] = digits[byte >> 4];
            buffer[used++] = digits[byte & 15];
        }
    }
    buffer[used] = '\0';
}
