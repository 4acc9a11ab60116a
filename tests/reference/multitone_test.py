"""`multitone` on recordings made by other programs, against SciPy on the same file.

SoX, an Opus and a Vorbis round trip stand in as devices under test. Compared are

- the residual outside the tones' lobes by scipy.signal.welch, and inside them by the mean of
  the 48 bins on each side (without lines: up to 8 times their median), to 0.1 dB;
- the residual by another method: all tones are fitted by least squares and taken away, so
  that nothing is hidden; to u95. Not for codecs: the noise they put beside the tones, and
  tones whose level they change over seconds, are hidden within the lobes.
"""
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.signal

import bench

TOLERANCE_DB = 0.1
SIGNAL = {"name": "multitone", "parameters": {"channels": 1, "bits": 16}}
# The window's published coefficients (Albrecht, 7 terms), given to SciPy.
ALBRECHT_7 = [
    0.27105140069342, 0.43329793923448, 0.21812299954311, 0.06592544638803,
    0.01081174209837, 0.00077658482522, 0.00001388721735,
]
CHANGING = ("Opus", "Vorbis")
LOBE = 7  # bins on each side
SIDE = 48

# What is done to tones.wav to get out.wav. -D: SoX shall not dither.
DEVICES = {
    "gain": ["sox -D tones.wav -b 24 out.wav gain -3.3"],
    "overdrive": ["sox -D tones.wav -b 24 out.wav overdrive 3 10 gain -3"],
    "16 bits again": ["sox -D tones.wav -b 16 out.wav gain -20 dither"],
    "rate to 44.1 kHz, low quality": ["sox -D tones.wav -b 24 out.wav gain -1 rate -l 44100"],
    "Opus": [
        "opusenc --quiet --bitrate 128 tones.wav between.opus",
        "opusdec --quiet --rate 48000 --no-dither between.opus out.wav",
    ],
    "Vorbis": ["oggenc -Q -q 6 tones.wav -o between.ogg", "oggdec -Q between.ogg -o out.wav"],
}


def welch(x, rate, length):
    """Powers of the bins, averaged over segments as the plan has them: three quarters of
    overlap where halves would give fewer than eight."""
    hop = length // 4 if len(x) < 4.5 * length else length // 2
    window = scipy.signal.windows.general_cosine(length, ALBRECHT_7, sym=False)
    _, density = scipy.signal.welch(
        x, rate, window, nperseg=length, noverlap=length - hop, detrend="constant",
        scaling="density",
    )
    return density * rate / length


def beside(powers, hidden, lobe):
    """Mean of the bins beside a lobe that nothing hides, without lines; geometric mean of
    the sides."""
    sides = []
    for bins in (range(lobe[0] - 1, lobe[0] // 2, -1), range(lobe[-1] + 1, 2 * lobe[-1])):
        values = [powers[j] for j in bins if j < len(powers) and not hidden[j]][:SIDE]
        if values:
            values = np.array(values)
            sides.append(values[values <= 8 * np.median(values)].mean())
    return np.sqrt(sides[0] * sides[1]) if len(sides) == 2 else sides[0]


def lobes_of(places, count):
    """Bins of the tones' lobes, joined where they meet."""
    hidden = np.zeros(count, bool)
    for place in places:
        hidden[max(round(place) - LOBE, 0):round(place) + LOBE + 1] = True
    edges = np.flatnonzero(np.diff(hidden.astype(int)))
    return hidden, [range(a + 1, b + 1) for a, b in zip(edges[::2], edges[1::2])]


def db(ratio):
    return 10 * np.log10(ratio)


class MultitoneTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-multitone-")
        bench.render(
            cls.daemon, f"{cls.folder.name}/tones.wav", "multitone", **SIGNAL["parameters"]
        )

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def compare(self, path, changing):
        result, _ = bench.measure(self.daemon, path, "multitone", SIGNAL)
        rate, x = bench.samples(path)
        channel = result["channels"][0]
        figures, lists = channel["figures"], channel["lists"]
        first, last = bench.span(channel, rate)
        x = x[first:last, 0]
        step = bench.bin_hz(channel, rate)
        length = round(rate / step)
        powers = welch(x, rate, length)
        band = np.zeros(len(powers), bool)
        band[int(np.ceil(20 / step)):int(20000 / step) + 1] = True
        tones_hz = [tone["frequency_hz"] for tone in lists["tones"]]
        places = [hz / step for hz in tones_hz + [lost["nominal_hz"] for lost in lists["lost"]]]
        hidden, lobes = lobes_of(places, len(powers))
        outside = powers[band & ~hidden].sum()
        inside = sum(
            beside(powers, hidden, lobe) * sum(band[j] for j in lobe) for lobe in lobes
        )
        total = powers[hidden].sum() + outside
        ratio = figures["residual_ratio"]
        print(f"    residual_ratio {ratio['value']:9.3f} ± {ratio['u95']:.3f}", end="")
        print(f"  SciPy {db((outside + inside) / total):9.3f}", end="")
        bare = welch(self.without(x, rate, tones_hz), rate, length)
        truth = db(bare[band].sum() / total)
        print(f"  least squares {truth:9.3f}")
        self.assertLess(abs(ratio["value"] - db((outside + inside) / total)), TOLERANCE_DB)
        if not changing:
            self.assertLess(abs(ratio["value"] - truth), ratio["u95"])
        for tone in lists["tones"]:
            place = round(tone["frequency_hz"] / step)
            want = db(2 * powers[place - LOBE:place + LOBE + 1].sum())
            self.assertLess(abs(tone["level_dbfs"] - want), TOLERANCE_DB)
        self.largest_line(figures, powers, band & ~hidden, step, total)

    def without(self, x, rate, tones_hz):
        t = np.arange(len(x)) / rate
        columns = [np.ones(len(x))]
        for hz in tones_hz:
            columns += [np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t)]
        columns = np.stack(columns, axis=1)
        return x - columns @ np.linalg.solve(columns.T @ columns, columns.T @ x)

    def largest_line(self, figures, powers, quiet, step, total):
        """Its lobe's power, where it stands 20 dB above the median about it."""
        frequency = figures["largest_line_frequency"]["value"]
        if frequency is None:
            return
        place = round(frequency / step)
        around = np.arange(place - LOBE, place + LOBE + 1)
        near = np.median(powers[place - 40:place + 41])
        if powers[place] < 100 * near or not quiet[around].all():
            return
        want = db(powers[around].sum() / total)
        print(f"    largest line   {figures['largest_line_ratio']['value']:9.3f}  SciPy {want:.3f}")
        self.assertLess(abs(figures["largest_line_ratio"]["value"] - want), TOLERANCE_DB)

    def test_residual_agrees_with_scipy(self):
        for name, commands in DEVICES.items():
            with self.subTest(name):
                print(f"  {name}")
                for command in commands:
                    subprocess.run(command.split(), cwd=self.folder.name, check=True)
                self.compare(f"{self.folder.name}/out.wav", name in CHANGING)


if __name__ == "__main__":
    unittest.main(verbosity=2)
