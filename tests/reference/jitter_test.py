"""`jitter` on recordings made by other programs, against SciPy on the same file.

SciPy goes another way: the whole recording is mixed down with the carrier that least squares
find, filtered by a brick wall in the transform, and taken apart into angle and size before
either is averaged by scipy.signal.welch. Compared, to 0.1 dB, are the lines of both spectra, the
noise of both, and the jitter in time from smallest to largest.

Devices are NumPy (jitter and amplitude modulation put in, beside noise and hum, as 32-bit
floats), SoX (a tremolo modulates the amplitude; a poor resampling adds lines) and an Opus round
trip (noise about the carrier).
"""
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.optimize
import scipy.signal

import bench

TOLERANCE_DB = 0.1
RATE = 48000
# The window's published coefficients (Albrecht, 7 terms), given to SciPy.
ALBRECHT_7 = [
    0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
    0.01081174209837, 0.00077658482522, 0.00001388721735,
]
ENBW = 2.6319  # bins of that window
LOBE = 7  # bins on each side
SIDE = 48


def db(ratio):
    return 10 * np.log10(ratio)


def modulated(folder):
    """A carrier whose clock jitters at three frequencies and at random, with a supply that
    modulates its size, hum and noise beside it. Clocks 61 ppm apart."""
    generator = np.random.Generator(np.random.PCG64(77))
    t = np.arange(10 * RATE) / RATE
    jitter = (0.4e-9 * np.cos(2 * np.pi * 100 * t) + 0.2e-9 * np.cos(2 * np.pi * 1000 * t + 1)
              + 0.1e-9 * np.cos(2 * np.pi * 2345.6 * t + 2) + 60e-12 * generator.normal(size=len(t)))
    depth = 3e-5 * np.cos(2 * np.pi * 1777 * t) + 2e-5 * np.cos(2 * np.pi * 1000 * t)
    x = 0.6 * (1 + depth) * np.cos(2 * np.pi * 10700 * (1 + 61e-6) * (t + jitter) + 0.3)
    x += 1e-4 * np.cos(2 * np.pi * 50 * t) + 1e-6 * generator.normal(size=len(t))
    bench.write(f"{folder}/out.wav", RATE, x)


def shell(*commands):
    def make(folder):
        for command in commands:
            subprocess.run(command.split(), cwd=folder, check=True)
    return make


DEVICES = {
    "jitter and more put in": modulated,
    "SoX tremolo": shell("sox -D tone.wav -b 24 out.wav tremolo 313 0.05"),
    "SoX rate, low quality": shell("sox -D pattern.wav -b 24 out.wav gain -4 rate -l 44100"),
    "Opus": shell("opusenc --quiet --bitrate 160 tone.wav between.opus",
                  "opusdec --quiet --rate 48000 --no-dither between.opus out.wav"),
}


class Demodulated:
    """Spectra of angle and size, each line's lobe adding up to its sideband re the carrier."""

    def __init__(self, x, rate, length, hz):
        def rest(turns):
            mixed = x * np.exp(-2j * np.pi * (hz + turns) * self.t) * window
            return -abs(mixed.sum())
        self.t = np.arange(len(x)) / rate
        window = scipy.signal.windows.general_cosine(len(x), ALBRECHT_7)
        away = scipy.optimize.minimize_scalar(
            rest, bounds=(-0.2, 0.2), method="bounded", options={"xatol": 1e-7}).x
        mixed = x * np.exp(-2j * np.pi * (hz + away) * self.t)
        spectrum = np.fft.fft(mixed)
        reach = min(hz, rate / 2 - hz)
        spectrum[abs(np.fft.fftfreq(len(x), 1 / rate)) > reach] = 0
        base = np.fft.ifft(spectrum)
        edge = len(base) // 50  # where the brick wall rings
        base, self.t = base[edge:-edge], self.t[edge:-edge]
        angle = np.unwrap(np.angle(base))
        self.angle = angle - np.polyval(np.polyfit(self.t, angle, 2), self.t)
        size = np.abs(base)
        self.hz, self.reach, self.step = hz, reach, rate / length
        self.phase = self.powers(self.angle, rate, length)
        self.amplitude = self.powers(size / size.mean() - 1, rate, length)

    @staticmethod
    def powers(x, rate, length):
        window = scipy.signal.windows.general_cosine(length, ALBRECHT_7, sym=False)
        _, density = scipy.signal.welch(x, rate, window, nperseg=length, scaling="density")
        return density * rate / length / 2  # a sideband has half of the mean square

    def line(self, powers, offset_hz):
        place = round(offset_hz / self.step)
        lobe = powers[place - LOBE:place + LOBE + 1]
        beside = np.r_[powers[max(place - LOBE - SIDE, 15):place - LOBE],
                       powers[place + LOBE + 1:place + LOBE + 1 + SIDE]]
        return lobe.sum() - np.median(beside) * len(lobe), np.median(beside) * len(lobe)


class JitterTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-jitter-")
        for name, signal, more in (("tone", "tone", {"frequency_hz": 11000, "level_dbfs": -3}),
                                   ("pattern", "jitter-pattern", {"pattern_bits": 16})):
            bench.render(cls.daemon, f"{cls.folder.name}/{name}.wav", signal, channels=1, **more)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def compare_lines(self, rows, scipy_says):
        compared = 0
        for row in rows:
            offset = row["offset_hz"]
            near = [other["offset_hz"] for other in rows
                    if other is not row and abs(other["offset_hz"] - offset) < 60]
            if near or row["kind"] == "additive" or offset > 0.9 * scipy_says.reach:
                continue
            for part in ("phase", "amplitude"):
                got = row[f"{part}_modulation_dbc"]
                power, noise = scipy_says.line(getattr(scipy_says, part), offset)
                if got is None or row["origin"] == "test_pattern" or power < 1000 * noise:
                    continue
                compared += 1
                print(f"    {offset:9.2f} Hz {part:9} {got:9.3f}  SciPy {db(power):9.3f}")
                self.assertLess(abs(got - db(power)), TOLERANCE_DB)
        return compared

    def compare_noise(self, figure, rows, scipy_says, rate):
        first, last = np.ceil(100 / scipy_says.step), np.floor(rate / 8 / scipy_says.step)
        quiet = np.zeros(len(scipy_says.phase), bool)
        quiet[int(first):int(last) + 1] = True
        whole = quiet.sum()
        for row in rows:
            place = round(row["offset_hz"] / scipy_says.step)
            quiet[place - LOBE - 1:place + LOBE + 2] = False
        phase, amplitude = (powers[quiet].sum() * whole / quiet.sum()
                            for powers in (scipy_says.phase, scipy_says.amplitude))
        value = figure["value"]
        excess = phase if value is None else phase - amplitude
        want = np.sqrt(2 * excess) / (2 * np.pi * scipy_says.hz)
        got = figure["bound"] if value is None else value
        print(f"    random jitter {got:.4g} s, SciPy {want:.4g} s", "(bound)" * (value is None))
        return 20 * np.log10(got / want)

    def test_sidebands_and_noise_agree_with_scipy(self):
        compared = {}
        for name, make in DEVICES.items():
            with self.subTest(name):
                print(f"  {name}")
                make(self.folder.name)
                path = f"{self.folder.name}/out.wav"
                result, _ = bench.measure(self.daemon, path, "jitter")
                rate, x = bench.samples(path)
                channel = result["channels"][0]
                first, last = bench.span(channel, rate)
                rows = channel["lists"]["sidebands"]
                bandwidth = channel["series"]["phase_modulation"]["resolution_bandwidth_hz"]
                length = 2 ** round(np.log2(rate * ENBW / bandwidth))
                scipy_says = Demodulated(x[first:last, 0], rate, length,
                                         channel["figures"]["carrier_frequency"]["value"])
                compared[name] = self.compare_lines(rows, scipy_says)
                self.figures(name, channel["figures"], rows, scipy_says, rate)
        self.assertGreaterEqual(compared["jitter and more put in"], 5)
        self.assertGreaterEqual(compared["SoX tremolo"], 1)

    def figures(self, name, figures, rows, scipy_says, rate):
        random_db = self.compare_noise(figures["random_jitter_rms"], rows, scipy_says, rate)
        if name in ("jitter and more put in", "SoX tremolo"):
            self.assertLess(abs(random_db), TOLERANCE_DB)
        if name == "jitter and more put in":
            self.assertIsNotNone(figures["random_jitter_rms"]["value"])
            # the lines alone, in time: everything else is filtered out of the angle
            spectrum = np.fft.rfft(scipy_says.angle)
            hz = np.fft.rfftfreq(len(scipy_says.angle), scipy_says.t[1] - scipy_says.t[0])
            keep = np.zeros(len(hz), bool)
            for offset in (100, 1000, 2345.6):
                keep |= abs(hz - offset) < 2
            lines = np.fft.irfft(spectrum * keep, len(scipy_says.angle))
            lines = lines[len(lines) // 10:-len(lines) // 10]
            want = np.ptp(lines) / (2 * np.pi * scipy_says.hz)
            got = figures["jitter_peak_to_peak"]["value"]
            print(f"    peak to peak {got:.4g} s, SciPy {want:.4g} s")
            self.assertLess(abs(got / want - 1), 0.03)
        if name == "SoX tremolo":
            self.assertIsNone(figures["jitter_rms"]["value"])


if __name__ == "__main__":
    unittest.main(verbosity=2)
