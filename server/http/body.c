#include "server/http/body.h"

#include <stdlib.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/http/target.h"
#include "server/http/words.h"

bool body_append(struct body *body, const char *piece, size_t count,
                 struct server_problem *problem)
{
    if (count > LIMIT_JSON_BODY_BYTES - body->count) {
        if (problem != NULL && problem->code == SERVER_PROBLEM_NONE)
            problem->limit_bytes = LIMIT_JSON_BODY_BYTES;
        return server_problem_set(problem, SERVER_PROBLEM_TOO_LARGE, "",
                                  "The JSON body is longer than the %d bytes read here.",
                                  LIMIT_JSON_BODY_BYTES);
    }
    char *bytes = realloc(body->bytes, body->count + count + 1);
    if (bytes == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory left to read the request.");
    memcpy(bytes + body->count, piece, count);
    body->bytes = bytes;
    body->count += count;
    return true;
}

void body_free(struct body *body)
{
    free(body->bytes);
    *body = (struct body){0};
}

/* How deep brackets nest outside texts. Asked before parsing: the parser recurses. */
static int depth(const char *json, size_t count)
{
    int now = 0, deepest = 0;
    bool in_text = false;
    for (size_t i = 0; i < count; i++) {
        char c = json[i];
        if (in_text) {
            if (c == '\\')
                i++;
            else if (c == '"')
                in_text = false;
        } else if (c == '"') {
            in_text = true;
        } else if (c == '{' || c == '[') {
            if (++now > deepest)
                deepest = now;
        } else if (c == '}' || c == ']') {
            now--;
        }
    }
    return deepest;
}

static bool refuse(const json_error_t *error, struct server_problem *problem)
{
    enum json_error_code code = json_error_code(error);
    bool zero = code == json_error_null_character || code == json_error_null_byte_in_key;
    return server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "",
                              "The body is not the JSON expected, line %d, column %d: "
                              "%.100s.",
                              error->line, error->column,
                              zero ? "no text here holds a zero character, \\u0000"
                                   : error->text);
}

bool body_parse(const struct body *body, json_t **ret, struct server_problem *problem)
{
    if (body->count == 0)
        return server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "",
                                  "The body is empty; send a JSON object.");
    int deepest = depth(body->bytes, body->count);
    if (deepest > LIMIT_JSON_DEPTH)
        return server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "",
                                  "The JSON nests %d deep; at most %d are read.", deepest,
                                  LIMIT_JSON_DEPTH);
    json_error_t error;
    json_t *value = json_loadb(body->bytes, body->count,
                               JSON_REJECT_DUPLICATES | JSON_DECODE_ANY, &error);
    if (value == NULL)
        return refuse(&error, problem);
    if (!json_is_object(value)) {
        json_decref(value);
        return server_problem_set(problem, SERVER_PROBLEM_BAD_JSON, "",
                                  "The body must be a JSON object, {…}.");
    }
    *ret = value;
    return true;
}

/* Fills `known` with the names alone, and `needed` with those that end in '!'. */
static void split_fields(const char *fields, char known[TARGET_LIST_BYTES],
                         char needed[TARGET_LIST_BYTES])
{
    char word[WORDS_BYTES];
    known[0] = needed[0] = '\0';
    while (words_next(&fields, ' ', word)) {
        size_t length = strcspn(word, "!");
        bool must = word[length] == '!';
        word[length] = '\0';
        words_append(word, known, TARGET_LIST_BYTES);
        if (must)
            words_append(word, needed, TARGET_LIST_BYTES);
    }
}

bool body_check_fields(const json_t *object, const char *fields,
                       struct server_problem *problem)
{
    char known[TARGET_LIST_BYTES], needed[TARGET_LIST_BYTES], list[TARGET_LIST_BYTES];
    char word[WORDS_BYTES];
    const char *name;
    json_t *value;
    split_fields(fields, known, needed);
    json_object_foreach((json_t *)object, name, value)
    {
        if (target_word_among(name, known))
            continue;
        target_list_words(known, list);
        return server_problem_set(problem, SERVER_PROBLEM_UNKNOWN_FIELD, name,
                                  "There is no field \"%.60s\" here; known: %s.", name,
                                  list[0] != '\0' ? list : "none");
    }
    for (const char *at = needed; words_next(&at, ' ', word);) {
        if (json_object_get(object, word) != NULL)
            continue;
        target_list_words(needed, list);
        return server_problem_set(problem, SERVER_PROBLEM_MISSING_FIELD, word,
                                  "The field %s is missing; needed: %s.", word, list);
    }
    return true;
}

const char *body_text(const json_t *object, const char *field,
                      struct server_problem *problem)
{
    const json_t *value = json_object_get(object, field);
    if (!json_is_string(value))
        server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
                           "The field %s must be text.", field);
    return json_string_value(value);
}
