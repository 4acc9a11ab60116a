/* limit FILE OVERLAP: for each line read from standard input, decodes the recording with
 * libsndfile and runs the transforms that spectra of 2^18 samples need at least, real, in
 * place, planned before: frames/2^18 for each channel where OVERLAP is 1, twice as many
 * where segments half overlap (2). Prints the seconds it took, decoding and transforms
 * apart. */
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include <fftw3.h>
#include <sndfile.h>

enum { LENGTH = 1 << 18, READ_FRAMES = 4096 };

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

int main(int argc, char **argv)
{
    int overlap = argc == 3 ? atoi(argv[2]) : 0;
    if (overlap < 1 || overlap > 2)
        fail("usage: limit FILE 1|2 <LINES");
    double *buffer = fftw_malloc((LENGTH + 2) * sizeof *buffer);
    if (!buffer)
        fail("no memory");
    fftw_plan plan =
        fftw_plan_dft_r2c_1d(LENGTH, buffer, (fftw_complex *)buffer, FFTW_ESTIMATE);
    if (!plan)
        fail("no plan");
    for (char line[16]; fgets(line, sizeof line, stdin);) {
        SF_INFO info;
        double begin = now_s();
        decode(argv[1], &info);
        double decoded = now_s();
        long transforms = overlap * info.frames / LENGTH * info.channels;
        double seconds = 0;
        for (long i = 0; i < transforms; i++) {
            for (int n = 0; n < LENGTH; n++) /* not timed: transforms of it would grow */
                buffer[n] = (n * 7919 % 1000) / 1000.0 - 0.5;
            double from = now_s();
            fftw_execute(plan);
            seconds += now_s() - from;
        }
        printf("%.9f %.9f %ld\n", decoded - begin, seconds, transforms);
        fflush(stdout);
    }
    fftw_destroy_plan(plan);
    fftw_free(buffer);
    return 0;
}
