/** How far a measurement is: it calls `report` now and then; the listener decides how
 * often that leaves the process. */
#ifndef ANALYSIS_CORE_PROGRESS_H
#define ANALYSIS_CORE_PROGRESS_H

struct progress {
    void (*tell)(double fraction, void *context); /* NULL: nobody listens */
    void *context;
};

static inline void progress_tell(const struct progress *progress, double fraction)
{
    if (progress && progress->tell)
        progress->tell(fraction, progress->context);
}

/** One stage's share of the whole, as fractions: {progress_tell_share, &share} is the
 * stage's own progress. */
struct progress_share {
    const struct progress *whole;
    double from, to;
};

static inline void progress_tell_share(double fraction, void *context)
{
    const struct progress_share *share = context;
    progress_tell(share->whole, share->from + (share->to - share->from) * fraction);
}

#endif
