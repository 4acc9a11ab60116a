"""Spectrum, noise and A-weighting against scipy.signal on the same recording."""
import tempfile
import unittest

import numpy as np
import scipy.signal

import bench

# The window's published coefficients (Albrecht, 7 terms), given to SciPy.
ALBRECHT_7 = [
    0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
    0.01081174209837, 0.00077658482522, 0.00001388721735,
]
# Poles of the A curve in Hz: IEC 61672-1.
A_POLES = [20.598997, 20.598997, 107.65265, 737.86223, 12194.217, 12194.217]


def a_weighting_db(hz):
    """From poles and zeros by scipy.signal.freqs_zpk, 0 dB at 1 kHz."""
    poles = -2 * np.pi * np.array(A_POLES)
    _, h = scipy.signal.freqs_zpk([0, 0, 0, 0], poles, 1, 2 * np.pi * np.append(hz, 1000))
    return 20 * np.log10(np.abs(h[:-1] / h[-1]))


class ScipyTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-scipy-")

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def recording(self, rate, seed):
        random = np.random.default_rng(seed)
        t = np.arange(12 * rate) / rate
        x = 0.4 * np.sin(2 * np.pi * 997.3 * t) + 2e-4 * np.sin(2 * np.pi * 1994.6 * t)
        noise = 1e-4 * random.standard_normal(len(t))
        # Two different channels; the second one's noise is tilted.
        tilted = scipy.signal.lfilter([1, 0.7], [1, -0.6], noise) * 0.3
        path = f"{self.folder.name}/{rate}.wav"
        bench.write(path, rate, np.stack([x + noise, 0.5 * x + tilted], axis=1))
        return path

    def welch(self, x, rate, length):
        window = scipy.signal.windows.general_cosine(length, ALBRECHT_7, sym=False)
        return scipy.signal.welch(
            x, rate, window, nperseg=length, noverlap=length // 2, detrend="constant",
            scaling="density",
        )

    def check(self, rate):
        path = self.recording(rate, rate)
        result, analysis = bench.measure(self.daemon, path)
        _, x = bench.samples(path)
        for channel in result["channels"]:
            c = channel["channel"]
            first, last = bench.span(channel, rate)
            length = 2 * (channel["series"]["spectrum"]["points"] - 1)
            hz, density = self.welch(x[first:last, c - 1], rate, length)
            step = rate / length
            self.spectrum(analysis, c, hz, density, rate, length)
            self.noise(channel, hz, density, step)

    def spectrum(self, analysis, c, hz, density, rate, length):
        """Each point of a stretch, as the API gives it, against Welch's average: the bins'
        powers read as tones."""
        enbw = length * sum_squares(length) / sum_values(length) ** 2
        want = 10 * np.log10(2 * density * enbw * rate / length)
        path = f"/v1/analyses/{analysis}/result/series/spectrum?channel={c}&from=900&to=2100"
        got = self.daemon.get(path).json
        x = np.array(got["x"]["values"])
        y = np.array(got["y"]["values"])
        bins = np.rint(x * length / rate).astype(int)
        self.assertGreater(len(y), 1000)
        self.assertLess(np.abs(x - hz[bins]).max(), 1e-6)
        self.assertLess(np.abs(y - want[bins]).max(), 0.001)

    def noise(self, channel, hz, density, step):
        """The band without tone and harmonics, refilled by interpolation; A by the poles."""
        inside = (hz >= 20) & (hz <= 20000)
        quiet = inside.copy()
        for order in range(1, 21):
            centre = order * 997.3
            reach = max(8 * step, 0.011 * centre if order == 1 else 0)
            quiet &= np.abs(hz - centre) > reach
        filled = np.interp(hz[inside], hz[quiet], smooth(density[quiet]))
        power = np.where(quiet[inside], density[inside], filled)
        a = 10 ** (a_weighting_db(hz[inside]) / 10)
        figures = channel["figures"]
        for name, want in (
            ("noise_level", 10 * np.log10(2 * power.sum() * step)),
            ("noise_level_a", 10 * np.log10(2 * (power * a).sum() * step)),
        ):
            print(f"    {name:14} {figures[name]['value']:10.4f}  SciPy {want:10.4f}")
            self.assertLess(abs(figures[name]["value"] - want), 0.01, name)

    def test_spectrum_and_noise_equal_scipys(self):
        for rate in (44100, 48000, 96000, 192000):
            with self.subTest(rate):
                print(f"  {rate} Hz")
                self.check(rate)


def smooth(values):
    return np.convolve(values, np.ones(31) / 31, mode="same")


def window_of(length):
    return scipy.signal.windows.general_cosine(length, ALBRECHT_7, sym=False)


def sum_squares(length):
    return (window_of(length) ** 2).sum()


def sum_values(length):
    return window_of(length).sum()


if __name__ == "__main__":
    unittest.main(verbosity=2)
