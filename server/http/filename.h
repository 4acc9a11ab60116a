/** What a file that is downloaded is called, and of what type it is. Pure. */
#ifndef SERVER_HTTP_FILENAME_H
#define SERVER_HTTP_FILENAME_H

enum { FILENAME_DISPOSITION_BYTES = 1024 };

struct filename_kind {
    const char *type;      /* "audio/flac" */
    const char *extension; /* ".flac" */
};

/** By the name of a container as `inspect` gives it ("wav"; NULL: not known). */
struct filename_kind filename_kind(const char *container);

/**
 * The value of Content-Disposition (RFC 6266): `attachment` with a name that every file
 * system takes: of `name`, path separators, quotes, control characters and what else some
 * system reserves become '_', as do blanks and dots at the ends; `otherwise` where
 * nothing is left; the extension is added unless it is there. Names beyond ASCII come as
 * `filename*` (RFC 8187) as well.
 */
void filename_disposition(const char *name, const char *otherwise, const char *extension,
                          char ret[FILENAME_DISPOSITION_BYTES]);

#endif
