"""What a tester would write with SciPy for noise, intermodulation, multitone and jitter: each
takes the samples [frames, channels] and their rate, and gives figures of each channel.
Vectorised throughout. The quasi-peak detector, which looks at one sample after the other, is
left out of `noise`: in Python it would take minutes."""

import numpy as np
import scipy.fft
import scipy.signal

TERMS = [.27105140069342, .43329793923448, .21812299954311, .06592544638803, .01081174209837,
         .00077658482522, .00001388721735]
LENGTH = 1 << 18
LOBE = 7


def db(ratio):
    return 10 * np.log10(ratio)


def welch(samples, rate, length=LENGTH):
    hz, density = scipy.signal.welch(samples, rate, ("general_cosine", TERMS), length,
                                     length // 2, detrend="constant")
    return hz, density * (hz[1] - hz[0])


def lobe(power, bins):
    centre = int(round(bins))
    return power[max(centre - LOBE, 0):centre + LOBE + 1].sum()


def a_weights(hz):
    squares = hz ** 2
    gain = 12194 ** 2 * squares ** 2 / (
        (squares + 20.6 ** 2) * (squares + 12194 ** 2)
        * np.sqrt((squares + 107.7 ** 2) * (squares + 737.9 ** 2)))
    return (gain * 10 ** 0.1) ** 2


def bs468_weights(hz):
    even = np.polyval([-4.737338981378384e-24, 2.043828333606125e-15, -1.363894795463638e-7, 1],
                      hz ** 2)
    odd = np.polyval([1.306612257412824e-19, -2.118150887518656e-11, 5.559488023498642e-4],
                     hz ** 2) * hz
    return 10 ** 1.2616 * (1.246332637532143e-4 * hz) ** 2 / (even ** 2 + odd ** 2)


def noise(samples, rate):
    hz, power = welch(samples, rate)
    inside = (hz >= 20) & (hz <= 20000)
    hz, power = hz[inside], power[inside]
    return {"noise_level": db(2 * power.sum()),
            "noise_level_a": db(2 * (power * a_weights(hz)).sum()),
            "noise_level_468": db(2 * (power * bs468_weights(hz)).sum()),
            "mains": [db(2 * lobe(power, (50 * k - hz[0]) / (hz[1] - hz[0])))
                      for k in range(1, 11)]}


def strongest(samples, count):
    """Frequencies of the strongest tones, in cycles per sample, from one long transform."""
    window = scipy.signal.windows.general_cosine(len(samples), TERMS, sym=False)
    whole = np.abs(scipy.fft.rfft(samples * window))
    found = []
    for _ in range(count):
        peak = int(np.argmax(whole[LOBE:])) + LOBE
        low, mid, high = np.log(whole[peak - 1:peak + 2])
        found.append((peak + 0.5 * (low - high) / (low - 2 * mid + high)) / len(samples))
        whole[max(peak - LOBE, 0):peak + LOBE + 1] = 1e-30
    return found


def intermodulation(samples, rate):
    low, high = sorted(strongest(samples, 2))
    _, power = welch(samples, rate)
    reference = lobe(power, high * LENGTH)
    products = {}
    for a in range(-5, 6):
        for b in range(0, 6):
            cycles = abs(a * low + b * high)
            if 2 <= abs(a) + b <= 5 and 0 < cycles < 0.45:
                products[f"{a:+}f1{b:+}f2"] = db(lobe(power, cycles * LENGTH) / reference)
    second = sum(10 ** (products[k] / 20) for k in ("+1f1+1f2", "-1f1+1f2") if k in products)
    return {"modulation_distortion": 20 * np.log10(second), "products": products}


def multitone(samples, rate):
    length = 1 << 19
    hz, power = welch(samples, rate, length)
    peaks, _ = scipy.signal.find_peaks(power, height=power.max() * 1e-3, distance=2 * LOBE)
    inside = (hz >= 20) & (hz <= 20000)
    total = power[inside].sum()
    rest = power.copy()
    for peak in peaks:
        around = slice(max(peak - LOBE, 0), peak + LOBE + 1)
        beside = np.r_[power[peak - 48 - LOBE:peak - LOBE], power[peak + LOBE:peak + LOBE + 48]]
        rest[around] = np.median(beside) if len(beside) else 0
    lines, _ = scipy.signal.find_peaks(rest[inside])
    return {"tone_count": len(peaks),
            "residual_ratio": db(rest[inside].sum() / total),
            "largest_line_ratio": db(rest[inside][lines].max() / total),
            "bands": [rest[(hz >= c * 2 ** (-1 / 6)) & (hz < c * 2 ** (1 / 6))].sum()
                      for c in 1000 * 2 ** (np.arange(-17, 14) / 3)]}


def jitter(samples, rate):
    carrier, = strongest(samples, 1)
    mixed = samples * np.exp(-2j * np.pi * carrier * np.arange(len(samples)))
    base = scipy.signal.resample_poly(mixed, 1, 4)
    base /= base.mean()
    _, phase = welch(np.angle(base), rate / 4, LENGTH // 4)
    hz, amplitude = welch(np.abs(base), rate / 4, LENGTH // 4)
    inside = (hz >= 100) & (hz <= rate / 8)
    peaks, _ = scipy.signal.find_peaks(phase * inside, height=20 * np.median(phase[inside]))
    return {"sidebands": [(hz[p], db(lobe(phase, p)), db(lobe(amplitude, p))) for p in peaks],
            "random_jitter_rms": np.sqrt(np.median(phase[inside]) * inside.sum())
            / (2 * np.pi * carrier * rate)}


MEASUREMENTS = {"noise": noise, "intermodulation": intermodulation, "multitone": multitone,
                "jitter": jitter}
