/**
 * Pieces of JSON Schema (2020-12), as the interface's own description is made of. All
 * give a new reference, or NULL without memory; all take over the references they are
 * given, NULL included, which makes the whole NULL.
 */
#ifndef SERVER_HTTP_SCHEMA_H
#define SERVER_HTTP_SCHEMA_H

#include <stdint.h>

#include <jansson.h>

json_t *schema_text(void);
json_t *schema_boolean(void);
json_t *schema_number(void);
/** A whole number; `maximum` INT64_MAX stands for none. */
json_t *schema_integer(int64_t minimum, int64_t maximum);
/** Text of at most so many characters. */
json_t *schema_short_text(int64_t characters);
/** Text that the whole pattern (ECMA-262) matches. */
json_t *schema_pattern(const char *pattern);
/** One of the words, which are separated by spaces. */
json_t *schema_words(const char *words);
/** This very value. */
json_t *schema_constant(json_t *value);
/** RFC 3339 as clock_text writes it: UTC, with milliseconds. */
json_t *schema_time(void);
/** An opaque id with that prefix (ids.h). */
json_t *schema_id(const char *prefix);
/** A path of this interface, perhaps with a query. */
json_t *schema_link(void);
json_t *schema_array(json_t *items);
/** What `schema` allows, and null. */
json_t *schema_nullable(json_t *schema);
/** A schema of the document, by its name. */
json_t *schema_reference(const char *name);

/** An object with these members and no others: name, schema, …, NULL. A name that ends
 * in '!' is a member that must be there. */
json_t *schema_object(const char *name, ...) __attribute__((sentinel));
/** `schema` with a keyword more. */
json_t *schema_with(json_t *schema, const char *keyword, json_t *value);

#endif
