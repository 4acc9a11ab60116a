/** Frequency weightings, analytically, so that they hold at every sample rate. */
#ifndef ANALYSIS_DSP_WEIGHTING_H
#define ANALYSIS_DSP_WEIGHTING_H

/**
 * A-weighting as a power ratio, 1 at 1 kHz. IEC 61672-1 gives its poles at 20.598997,
 * 107.65265, 737.86223 and 12194.217 Hz. Accuracy: the standard's table to its 0.1 dB
 * (weighting_test.c).
 */
double weighting_a_power(double frequency_hz);

/**
 * The curve of ITU-R BS.468-4 as a power ratio, 1 at 1 kHz: that of its passive network,
 * one zero at dc and six poles. The poles are from memory (in the usual form of two
 * polynomials in the frequency). Accuracy: the Recommendation's table to 0.06 dB
 * (weighting_test.c).
 */
double weighting_468_power(double frequency_hz);

/** The same, 1 at 2 kHz: what AES17 calls CCIR-RMS when it weights an rms level. */
double weighting_468_rms_power(double frequency_hz);

/** Poles of that curve in the plane s/2π: real where im_hz is 0, else a conjugate pair.
 */
struct weighting_pole {
    double re_hz, im_hz;
};
enum { WEIGHTING_468_POLES = 4 };
extern const struct weighting_pole weighting_468_poles[WEIGHTING_468_POLES];

#endif
