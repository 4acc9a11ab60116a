"""Another way to the figures of `noise` and `multitone`, with nothing in common with ours but
the definitions: tones are fitted by least squares over the whole span, all at once, and taken
off; what is left goes through one rectangular transform and is cut at the band's edges. No
window, no averaging, no segments.

Curves: A from the poles of IEC 61672-1 by scipy.signal.freqs_zpk; BS.468 from the network of
the Recommendation (coefficients from memory, checked against its table in the tests in C) by
scipy.signal.freqs.
"""
import numpy as np
import scipy.signal

A_POLES_HZ = [20.598997, 20.598997, 107.65265, 737.86223, 12194.217, 12194.217]
# Denominator 1 + h1 + j·h2 with f in Hz: even and odd powers of the analogue network.
BS468_EVEN = [-4.737338981378384e-24, 2.043828333606125e-15, -1.363894795463638e-7, 1]
BS468_ODD = [1.306612257412824e-19, -2.118150887518656e-11, 5.559488023498642e-4]


def db(power):
    return 10 * np.log10(power)


def a_weights(hz):
    """Power ratio, 1 at 1 kHz."""
    poles = -2 * np.pi * np.array(A_POLES_HZ)
    _, h = scipy.signal.freqs_zpk([0, 0, 0, 0], poles, 1, 2 * np.pi * np.append(hz, 1000))
    return np.abs(h[:-1] / h[-1]) ** 2


def bs468_weights(hz, unity_hz=2000):
    """Power ratio, 1 at unity_hz: AES17 reads noise with unity at 2 kHz."""
    def curve(f):
        even = np.polyval(BS468_EVEN, f**2)
        odd = np.polyval(BS468_ODD, f**2) * f
        return f**2 / (even**2 + odd**2)
    return curve(np.asarray(hz)) / curve(float(unity_hz))


def design(rate, frames, frequencies_hz):
    """Columns of a fit: dc, then a sine and a cosine of each frequency."""
    t = (np.arange(frames) - frames / 2) / rate
    columns = [np.ones(frames)]
    for hz in frequencies_hz:
        columns += [np.sin(2 * np.pi * hz * t), np.cos(2 * np.pi * hz * t)]
    return np.stack(columns, axis=1)


def fit(x, rate, frequencies_hz):
    """Mean square of each tone, and what is left of x without them and dc."""
    columns = design(rate, len(x), frequencies_hz)
    c = np.linalg.solve(columns.T @ columns, columns.T @ x)
    powers = (c[1::2] ** 2 + c[2::2] ** 2) / 2
    return powers, x - columns @ c


def band_power(x, rate, weights=None, hidden=(), reach_hz=0, beside_hz=20, band_hz=(20, 20000)):
    """Mean square of x in band, weighted; within reach_hz of a hidden frequency the mean of the
    beside_hz on either side stands in."""
    power = 2 * np.abs(np.fft.rfft(x)) ** 2 / len(x) ** 2
    hz = np.fft.rfftfreq(len(x), 1 / rate)
    if weights is not None:
        power = power * np.concatenate([[0], weights(hz[1:])])
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    away = np.full(len(hz), np.inf)
    for f in hidden:
        away = np.minimum(away, np.abs(hz - f))
    covered = away <= reach_hz
    total = power[inside & ~covered].sum()
    for f in hidden:
        near = inside & covered & (np.abs(hz - f) <= reach_hz)
        beside = ~covered & (np.abs(hz - f) <= reach_hz + beside_hz)
        if near.any():
            total += power[beside].mean() * near.sum()
            covered = covered & ~near  # never twice where two reaches meet
            inside = inside & ~near
    return total
