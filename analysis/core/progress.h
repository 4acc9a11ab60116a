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

#endif
