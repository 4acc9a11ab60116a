/* samples FILE: what capture_open makes of a recording, for tests in other languages. A
 * line "container encoding rate channels frames", a line of warning codes, and then every
 * sample as a double of this machine, interleaved. Exit status 1: a problem, whose code
 * and sentence are on standard error. */
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

#include "analysis/capture/capture.h"

static int refuse(const struct problem *problem)
{
    fprintf(stderr, "%s %s\n", problem_code(problem->kind), problem->detail);
    return 1;
}

static void print_head(const struct capture *capture)
{
    const struct capture_format *format = capture_format(capture);
    int count;
    const struct capture_warning *warnings = capture_warnings(capture, &count);
    printf("%s %s %d %d %lld\n", format->container, format->encoding,
           format->sample_rate_hz, format->channels, (long long)format->frames);
    for (int i = 0; i < count; i++)
        printf("%s%s", i > 0 ? " " : "", warnings[i].code);
    putchar('\n');
}

int main(int count, char **arguments)
{
    static double samples[CAPTURE_BLOCK_FRAMES * CAPTURE_MAX_CHANNELS];
    struct capture *capture = NULL;
    struct problem problem = {0};
    int64_t got;
    if (count != 2)
        return 2;
    int descriptor = open(arguments[1], O_RDONLY | O_CLOEXEC);
    if (descriptor < 0) {
        perror(arguments[1]);
        return 2;
    }
    if (!capture_open(descriptor, &capture, &problem))
        return refuse(&problem);
    print_head(capture);
    size_t channels = (size_t)capture_format(capture)->channels;
    do {
        if (!capture_read(capture, samples, CAPTURE_BLOCK_FRAMES, &got, &problem))
            return refuse(&problem);
        fwrite(samples, sizeof *samples, (size_t)got * channels, stdout);
    } while (got > 0);
    capture_close(capture);
    close(descriptor);
    return 0;
}
