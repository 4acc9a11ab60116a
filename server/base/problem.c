#include "server/base/problem.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const struct server_problem_meaning meanings[SERVER_PROBLEM_CODES] = {
    [SERVER_PROBLEM_NONE] = {"none", 0, "No problem", "Nothing went wrong.",
                             "There is nothing to do."},
    [SERVER_PROBLEM_BAD_REQUEST] =
        {"bad_request", 400, "The request is not HTTP as it should be",
         "The request could be read in two ways, its target holds what no path or "
         "parameter may hold, or it hangs on a condition that is not looked at: two Host "
         "fields, a broken percent escape, too many headers, an If-Match.",
         "Send it with an ordinary HTTP client, such as curl, let the client write the "
         "header and encode the parameters, and leave out what the detail names."},
    [SERVER_PROBLEM_BAD_JSON] =
        {"bad_json", 400, "The body is not the JSON expected",
         "The body is no JSON object, names a member twice, or nests too deep; the "
         "detail tells the line and the column.",
         "Correct it there. In a shell, put the JSON between single quotes, or keep it "
         "in a file and send it with --data-binary @order.json."},
    [SERVER_PROBLEM_BODY_MANGLED] =
        {"body_mangled", 400, "The body was altered on its way",
         "The bytes that arrived are not those of the file: a client took line breaks "
         "and zero bytes out, or sent fewer bytes than it declared.",
         "With curl, send recordings with --data-binary @take.wav or with -X POST -T "
         "take.wav, never with -d."},
    [SERVER_PROBLEM_DIGEST_MISMATCH] =
        {"digest_mismatch", 400, "The body does not match its digest",
         "The SHA-256 of the bytes that arrived is not the one in the Content-Digest "
         "field, or that field is malformed. Nothing was kept.",
         "Compute the digest of the very file that is sent, as base64 between colons, "
         "and send it again; if it still differs, look at the disk, the cable or the "
         "proxy in between."},
    [SERVER_PROBLEM_FORBIDDEN] =
        {"forbidden", 403, "This request is not allowed",
         "A page from another origin made a browser send a request that changes "
         "something.",
         "Use a page that this daemon serves itself, or a script."},
    [SERVER_PROBLEM_NOT_FOUND] =
        {"not_found", 404, "There is nothing here",
         "The path names nothing that is there: a misspelt path, an id that never was or "
         "whose item was removed, or a name that is not known.",
         "Look it up in the list above it, beginning with GET /v1/; ids come from the "
         "answers to uploads and orders."},
    [SERVER_PROBLEM_NOT_READY] =
        {"not_ready", 404, "The result is not ready yet",
         "The analysis waits or runs; its result is there once it is done.",
         "Ask for the analysis with Prefer: wait=30, then for the result once its state "
         "is done."},
    [SERVER_PROBLEM_WRONG_METHOD] =
        {"wrong_method", 405, "This method is not served here",
         "The path is right but does not serve this method; the Allow field and the "
         "member allowed list those it serves.",
         "Use one of them. curl -T sends PUT unless it is told -X POST."},
    [SERVER_PROBLEM_CONFLICT] =
        {"conflict", 409, "The present state does not allow this",
         "The item is in a state in which this cannot be done, such as removing a "
         "recording while an analysis of it runs.",
         "Do what the detail names first, or wait, then ask again."},
    [SERVER_PROBLEM_NO_RESULT] =
        {"no_result", 410, "There will be no result",
         "The analysis failed or was cancelled, or the file of its result is gone: "
         "asking again does not help.",
         "Read why in the analysis, mend that, and post the analysis again."},
    [SERVER_PROBLEM_AUDIO_EXPIRED] =
        {"audio_expired", 410, "The recording's file is missing or changed",
         "The description and the results of the recording are kept, but its audio file "
         "is gone from the state folder or does not hold its bytes any more.",
         "Upload the take again from your own copy, or put the file back; the capture's "
         "sha256 tells which file it was."},
    [SERVER_PROBLEM_TOO_LARGE] =
        {"too_large", 413, "The body is too large",
         "The body is longer than limit_bytes, the most that is taken here.",
         "Record for a shorter time, at a lower rate or with fewer channels, or cut the "
         "recording into parts; for recordings the daemon's --max-upload raises the "
         "limit."},
    [SERVER_PROBLEM_NOT_AUDIO] =
        {"not_audio", 415, "The body is not an audio file",
         "The bytes begin like no container that is read here. The name and the declared "
         "type do not matter, only the bytes.",
         "Export the take as WAV (PCM of 16, 24 or 32 bits, or float) or as FLAC, and "
         "check that the file itself is sent, not a form or its name."},
    [SERVER_PROBLEM_UNSUPPORTED_FORMAT] =
        {"unsupported_format", 415, "This audio format is not supported",
         "It is an audio file, but with an encoding, a sample rate or a number of "
         "channels that is not measured, or the request has a content coding that is not "
         "read.",
         "Export it as WAV (PCM of 16, 24 or 32 bits, or float) or as FLAC, without any "
         "lossy coding in between, and send it without a content coding."},
    [SERVER_PROBLEM_RANGE_NOT_SATISFIABLE] =
        {"range_not_satisfiable", 416, "The range lies outside the file",
         "The Range field asks for bytes beyond the end of the file; Content-Range tells "
         "its length.",
         "Ask for a range within the file, or for the whole file without a Range field."},
    [SERVER_PROBLEM_WRONG_HOST] =
        {"wrong_host", 421, "The request names another host than this one",
         "The Host field is neither an address this daemon listens on, nor a loopback "
         "name, nor a name it was told.",
         "Use the address that the daemon printed when it started, or start it with "
         "--host-name and the name you use."},
    [SERVER_PROBLEM_NO_AUDIO] =
        {"no_audio", 422, "The file holds no audio",
         "The body is empty, or the file has a header and not one frame of samples.",
         "Check that the recording was stopped and saved before it was sent, and look at "
         "its length in a player."},
    [SERVER_PROBLEM_UNKNOWN_FIELD] =
        {"unknown_field", 422, "A field of the request is not known",
         "A member, a setting or a parameter has a name that is not known here. Nothing "
         "is ignored in silence, so nothing was done.",
         "Correct the spelling; the detail lists the names that are known, and GET "
         "/v1/measurements describes the settings."},
    [SERVER_PROBLEM_MISSING_FIELD] = {"missing_field", 422,
                                      "A field of the request is missing",
                                      "A member that must be there is not.",
                                      "Add the one that field names."},
    [SERVER_PROBLEM_OUT_OF_RANGE] =
        {"out_of_range", 422, "A value of the request is out of range",
         "A value has the wrong type or lies outside its limits; the detail tells both, "
         "with the unit.",
         "Give a value within the limits; /v1/measurements and /v1/signals list them."},
    [SERVER_PROBLEM_KEY_REUSED] =
        {"key_reused", 422, "The key came with another request before",
         "An Idempotency-Key of the last 24 hours stands for one request of its tester "
         "and "
         "path; this one differs from it, or what it made has been deleted since.",
         "Repeat the request just as it was, or give this one a key of its own."},
    [SERVER_PROBLEM_QUEUE_FULL] = {"queue_full", 429, "Too many analyses are waiting",
                                   "As many analyses wait as the queue holds.",
                                   "Wait the seconds of Retry-After and post it again; "
                                   "GET /v1/health tells how many wait."},
    [SERVER_PROBLEM_UNAVAILABLE] =
        {"unavailable", 503, "The service cannot answer at present",
         "The daemon is stopping, short of memory, or without a worker that lives. "
         "Nothing that was acknowledged is lost.",
         "Wait the seconds of Retry-After and try again; if it stays, read the daemon's "
         "messages."},
    [SERVER_PROBLEM_DISK_FULL] =
        {"disk_full", 507, "The disk is full",
         "The disk of the state folder has too little room for this. The daemon goes on "
         "and nothing was kept in halves.",
         "Make room on that disk or remove recordings that are no longer needed, then "
         "send it again."},
    [SERVER_PROBLEM_NOT_MEASURABLE] =
        {"not_measurable", 0, "The recording cannot be measured this way",
         "The recording lacks what the measurement needs: too short, too quiet, no "
         "steady part, or a rate too low.",
         "Do what the detail says, usually a longer or louder take of the signal that "
         "the measurement names under stimulus."},
    [SERVER_PROBLEM_WRONG_SIGNAL] =
        {"wrong_signal", 0, "The recording holds another signal",
         "What was recorded is not the signal that the measurement or its settings "
         "expect.",
         "Play the signal of the measurement (GET /v1/signals), check which input was "
         "recorded, and compare the settings, such as frequency_hz, with what was "
         "played."},
    [SERVER_PROBLEM_NOT_FINITE] =
        {"not_finite", 0, "A sample is infinite or not a number",
         "A float recording holds a sample that is infinite or not a number; the detail "
         "tells the channel and the frame.",
         "Look for the fault in the program that recorded or exported it; an export as "
         "24-bit PCM cannot hold such samples."},
    [SERVER_PROBLEM_WORKER_CRASHED] =
        {"worker_crashed", 0, "The analysis crashed",
         "The process that measured this recording died each time it tried; other "
         "recordings are not affected.",
         "Keep the recording and report it with the daemon's messages: this is a fault "
         "of the program. Exporting the recording anew may help meanwhile."},
    [SERVER_PROBLEM_TIMED_OUT] =
        {"timed_out", 0, "The analysis took too long",
         "The analysis passed its deadline, 60 s and a second per 4 MiB of recording, "
         "and was ended.",
         "Run it again when the machine has less to do, or measure fewer channels or a "
         "shorter part (channels, start_s, duration_s)."},
    [SERVER_PROBLEM_OUT_OF_MEMORY] =
        {"out_of_memory", 0, "The analysis needed too much memory",
         "The process that measured the recording could not get the memory it needed.",
         "Measure fewer channels at a time (channels), or run fewer workers "
         "(--workers)."},
    [SERVER_PROBLEM_CONFINEMENT] =
        {"confinement", 0, "The analysis tried what none may do",
         "While it read this recording, the process asked the system for something that "
         "no analysis needs, such as a file, a connection or another program, and was "
         "killed at once. So a file behaves that was made to attack its reader; nothing "
         "outside that process was touched.",
         "Do not open the file elsewhere; find out where it comes from. Tell whoever "
         "runs "
         "the daemon, and report it with the daemon's messages."},
};

const struct server_problem_meaning *server_problem_meaning(enum server_problem_code code)
{
    return &meanings[code];
}

enum server_problem_code server_problem_from_text(const char *text)
{
    for (int code = SERVER_PROBLEM_NONE + 1; code < SERVER_PROBLEM_CODES; code++)
        if (strcmp(meanings[code].code, text) == 0)
            return (enum server_problem_code)code;
    return SERVER_PROBLEM_NONE;
}

bool server_problem_set(struct server_problem *problem, enum server_problem_code code,
                        const char *field, const char *format, ...)
{
    if (problem == NULL || problem->code != SERVER_PROBLEM_NONE)
        return false;
    problem->code = code;
    snprintf(problem->field, sizeof problem->field, "%s", field ? field : "");
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(problem->detail, sizeof problem->detail, format, arguments);
    va_end(arguments);
    return false;
}
