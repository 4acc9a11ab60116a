"""Another way to the figures of `distortion`, with nothing in common but the definitions.

The tone's frequency is found by Gauss-Newton steps on an unweighted least-squares fit (IEEE
1057) over the whole span; tone, harmonics and dc are fitted together by numpy.linalg; what is
left of the recording without the fundamental goes through one rectangular transform and is cut
at the band's edges (brick wall). No window, no averaging, no lobes. As the definition wants,
what stands within 1 % of the fundamental belongs to it; the residual holds the mean density of
the 35 Hz on either side there.
"""
import numpy as np


def _design(turns, orders):
    columns = [np.ones(len(turns))]
    for order in orders:
        columns += [np.sin(2 * np.pi * order * turns), np.cos(2 * np.pi * order * turns)]
    return np.stack(columns, axis=1)


def _solve(design, x):
    """Normal equations: the columns are nearly orthogonal, so nothing is lost, and a minute
    at 192 kHz fits into memory."""
    return np.linalg.solve(design.T @ design, design.T @ x)


def fit_frequency(x, rate, guess_hz, orders):
    """Frequency of the tone: tone and harmonics together, so that they do not pull it."""
    t = (np.arange(len(x)) - len(x) / 2) / rate
    hz = guess_hz
    for _ in range(8):
        design = _design(hz * t, orders)
        c = _solve(design, x)
        slope = np.zeros(len(x))
        for i, order in enumerate(orders):
            a, b = c[1 + 2 * i], c[2 + 2 * i]
            w = 2 * np.pi * order
            slope += w * t * (a * np.cos(w * hz * t) - b * np.sin(w * hz * t))
        rest = x - design @ c
        step = slope @ rest / (slope @ slope)
        hz += step
        if abs(step) < 1e-12 * hz:
            break
    return hz


def _residual_power(x, rate, band_hz, tone_hz, reach_hz, beside_hz):
    power = 2 * np.abs(np.fft.rfft(x)) ** 2 / len(x) ** 2
    hz = np.fft.rfftfreq(len(x), 1 / rate)
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    away = np.abs(hz - tone_hz)
    beside = (away > reach_hz) & (away <= reach_hz + beside_hz) & inside
    hidden = (away <= reach_hz) & inside
    return power[inside & ~hidden].sum() + power[beside].mean() * hidden.sum()


def figures(x, rate, guess_hz, bin_hz, harmonics=10, band_hz=(20.0, 20000.0)):
    """Figures of one channel over the samples given, in the units of the interface. bin_hz:
    the spacing of the spectrum under test; a main lobe is 7.5 of them to either side."""
    highest = min(harmonics, int((rate / 2 - 1) / guess_hz))
    orders = list(range(1, highest + 1))
    hz = fit_frequency(x, rate, guess_hz, orders)
    t = (np.arange(len(x)) - len(x) / 2) / rate
    c = _solve(_design(hz * t, orders), x)
    power = {k: (c[2 * k - 1] ** 2 + c[2 * k] ** 2) / 2 for k in orders}
    tone = _design(hz * t, [1]) @ np.array([c[0], c[1], c[2]])
    reach = (max(7, np.ceil(0.01 * hz / bin_hz)) + 0.5) * bin_hz
    residual = _residual_power(x - tone, rate, band_hz, hz, reach, 48 * bin_hz)
    counted = [k for k in orders[1:] if band_hz[0] <= k * hz <= band_hz[1]]
    thd = sum(power[k] for k in counted)
    db = lambda p: 10 * np.log10(p)
    return {
        "fundamental_frequency": hz,
        "fundamental_level": db(2 * power[1]),
        "thd": db(thd / power[1]) if counted else None,
        "thd_plus_noise": db(residual / (residual + power[1])),
        "sinad": db(power[1] / residual),
        "harmonics": {k: db(power[k] / power[1]) for k in orders[1:]},
        "dc_offset": c[0],
    }
