/* limit FILE OVERLAP [LENGTH [RATE_HZ]]: for each line read from standard input, decodes
 * the recording with libsndfile and runs the transforms that spectra of LENGTH samples
 * (2^18) need at least, real, in place, planned before: frames/LENGTH for each channel
 * where OVERLAP is 1, twice as many where segments half overlap (2). With a rate, as many
 * samples of each channel as it makes of the recording's length go through one recursion
 * of second order, which waits for its own result at each, as every filter and detector
 * in time must. Prints the seconds it took: decoding, transforms with recursions, and the
 * number of transforms. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <fftw3.h>
#include <sndfile.h>

enum { READ_FRAMES = 4096, RECURSION = 1 << 14 };

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void fail(const char *what)
{
    fprintf(stderr, "limit: %s\n", what);
    exit(1);
}

static void decode(const char *path, SF_INFO *info)
{
    *info = (SF_INFO){0};
    SNDFILE *file = sf_open(path, SFM_READ, info);
    if (!file)
        fail(sf_strerror(NULL));
    double *block = malloc((size_t)(READ_FRAMES * info->channels) * sizeof *block);
    if (!block)
        fail("no memory");
    sf_count_t frames = 0, got;
    while ((got = sf_readf_double(file, block, READ_FRAMES)) > 0)
        frames += got;
    if (frames != info->frames)
        fail("the recording is cut off");
    free(block);
    sf_close(file);
}

/* The result depends on every sample, so that nothing is left out. */
static double recursion_s(const double *samples, long count)
{
    volatile double kept;
    double y1 = 0, y2 = 0, from = now_s();
    for (long n = 0; n < count; n++) {
        double y = samples[n % RECURSION] + 1.6 * y1 - 0.7 * y2;
        y2 = y1;
        y1 = y;
    }
    kept = y1;
    (void)kept;
    return now_s() - from;
}

static double transforms_s(fftw_plan plan, double *buffer, int length, long count)
{
    double seconds = 0;
    for (long i = 0; i < count; i++) {
        for (int n = 0; n < length; n++) /* not timed: transforms of it would grow */
            buffer[n] = (n * 7919 % 1000) / 1000.0 - 0.5;
        double from = now_s();
        fftw_execute(plan);
        seconds += now_s() - from;
    }
    return seconds;
}

int main(int argc, char **argv)
{
    int overlap = argc > 2 ? atoi(argv[2]) : 0;
    int length = argc > 3 ? atoi(argv[3]) : 1 << 18;
    double rate_hz = argc > 4 ? atof(argv[4]) : 0;
    if (overlap < 1 || overlap > 2 || length < RECURSION)
        fail("usage: limit FILE 1|2 [LENGTH [RATE_HZ]] <LINES");
    double *buffer = fftw_malloc(((size_t)length + 2) * sizeof *buffer);
    if (!buffer)
        fail("no memory");
    fftw_plan plan =
        fftw_plan_dft_r2c_1d(length, buffer, (fftw_complex *)buffer, FFTW_ESTIMATE);
    if (!plan)
        fail("no plan");
    for (char line[16]; fgets(line, sizeof line, stdin);) {
        SF_INFO info;
        double begin = now_s();
        decode(argv[1], &info);
        double decoded = now_s();
        long transforms = overlap * info.frames / length * info.channels;
        double seconds = transforms_s(plan, buffer, length, transforms);
        double samples = (double)info.frames * rate_hz / info.samplerate * info.channels;
        seconds += recursion_s(buffer, (long)samples);
        printf("%.9f %.9f %ld\n", decoded - begin, seconds, transforms);
        fflush(stdout);
    }
    fftw_destroy_plan(plan);
    fftw_free(buffer);
    return 0;
}
