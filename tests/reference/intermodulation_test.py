#!/usr/bin/python3
"""`intermodulation` of recordings made by other programs, against least squares.

SoX, an Opus and a Vorbis round trip stand in as devices under test. The other method fits both
tones and all their products to the samples of the span at once (numpy.linalg), weighted less at
both ends so that lines which it does not fit stay out: no segments, no transform, no lobes. It
knows the frequencies, since the signal and what SoX's `speed` does to it are exact. Figures are
made of its amplitudes by their definitions. Products whose place is shared, or that noise leaves
uncertain, are not compared.
"""
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.signal

import bench

TOLERANCE_DB = 0.02
DURATION_S = 10
SPEED = 1.000123
PAIRS = {"smpte": (60, 7000), "din": (250, 8000), "difference-frequency": (18000, 20000)}

# What is done to tone.wav to get out.wav. -D: SoX shall not dither.
DEVICES = {
    "overdrive, light": ["sox -D tone.wav out.wav overdrive 1 10 gain -3"],
    "overdrive, heavy": ["sox -D tone.wav out.wav overdrive 12 30 gain -6"],
    "overdrive, foreign clock": [
        f"sox -D tone.wav out.wav overdrive 3 20 gain -6 speed {SPEED} rate -v 48000"],
    "16 bits": ["sox -D tone.wav -b 16 out.wav gain -1 dither"],
    "Opus": ["opusenc --quiet --bitrate 160 tone.wav between.opus",
             "opusdec --quiet --rate 48000 --no-dither between.opus out.wav"],
    "Vorbis": ["oggenc -Q -q 6 tone.wav -o between.ogg", "oggdec -Q between.ogg -o out.wav"],
}
ORDERS = [(a, b) for a in range(-5, 6) for b in range(0, 6)
          if abs(a) + abs(b) in range(1, 6) and (b > 0 or a > 0)]


def folded(hz, rate):
    rest = abs(hz) % rate
    return min(rest, rate - rest)


def least_squares(x, rate, hz, pieces=40):
    """Amplitudes of the tones and of their products, by (a, b). Of those that fall within
    0.5 Hz of each other the one of the lowest order stands for all."""
    places = {}
    for a, b in sorted(ORDERS, key=lambda ab: abs(ab[0]) + abs(ab[1])):
        place = folded(a * hz[0] + b * hz[1], rate)
        if 1 < place < rate / 2 - 1 and all(abs(place - p) > 0.5 for p in places.values()):
            places[a, b] = place
    frequencies = np.array(list(places.values()))
    size = 2 * len(frequencies) + 1
    weights = scipy.signal.windows.tukey(len(x), 0.2)
    normal, right = np.zeros((size, size)), np.zeros(size)
    for part in np.array_split(np.arange(len(x)), pieces):
        turns = 2 * np.pi * frequencies[None, :] * ((part - len(x) / 2) / rate)[:, None]
        design = np.concatenate([np.sin(turns), np.cos(turns), np.ones((len(part), 1))], axis=1)
        weighted = weights[part, None] * design
        normal += weighted.T @ design
        right += weighted.T @ x[part]
    c = np.linalg.solve(normal, right)
    n = len(frequencies)
    return dict(zip(places, np.hypot(c[:n], c[n:2 * n])))


def figures(amplitude):
    """As measurements define them; relative to the upper tone."""
    upper = amplitude[0, 1]
    part = {ab: value / upper for ab, value in amplitude.items()}
    side = [part.get(ab, 0) for ab in ((-1, 1), (1, 1), (-2, 1), (2, 1))]
    second = part.get((-1, 1), 0) / 2
    return {
        "level_1": amplitude[1, 0],
        "level_2": upper,
        "level_ratio": part[1, 0],
        "modulation_distortion": np.hypot(side[0] + side[1], side[2] + side[3]),
        "modulation_distortion_rss": np.sqrt(np.square(side).sum()),
        "difference_second": second,
        # 22 kHz lies beyond 0.45 of 48 kHz
        "difference_third": part.get((-2, 1), 0) / 2,
        "difference_total": np.hypot(second, part.get((-2, 1), 0) / 2),
    }


def name(a, b, hz):
    """The product's expression, the positive frequency of the two."""
    if a * hz[0] + b * hz[1] < 0:
        a, b = -a, -b
    text = lambda n, tone: ("" if abs(n) == 1 else str(abs(n))) + tone
    terms = [(n, text(n, tone)) for n, tone in ((a, "f1"), (b, "f2")) if n]
    terms.sort(key=lambda term: term[0] < 0)
    return ("+" if len(terms) == 2 and terms[1][0] > 0 else "-").join(t for _, t in terms)


class IntermodulationTest(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.daemon = bench.harness.Daemon()
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-pairs-")

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        cls.daemon.stop()

    def close(self, what, got, want):
        print(f"    {what:26} {got:12.5f}  least squares {want:12.5f}  {got - want:+.5f}")
        self.assertLessEqual(abs(got - want), TOLERANCE_DB, what)

    def compare(self, path, kind, hz):
        result, _ = bench.measure(self.daemon, path, measurement="intermodulation")
        rate, x = bench.samples(path)
        channel = result["channels"][0]
        ratio = channel["figures"]["level_ratio"]["value"]
        played = 0 if kind == "difference-frequency" else 12.04
        if abs(ratio - played) < 3:  # heavy overdrive shifts it by more: then any pair
            self.assertEqual(channel["findings"]["kind"], kind)
        first, last = bench.span(channel, rate)
        amplitude = least_squares(x[first:last, 0], rate, hz)
        compared = 0
        for figure, want in figures(amplitude).items():
            got = channel["figures"][figure]
            if got["value"] is not None and got["u95"] < TOLERANCE_DB:
                self.close(figure, got["value"], 20 * np.log10(want))
                compared += 1
        listed = {row["expression"]: row for row in channel["lists"]["products"]}
        for (a, b), value in amplitude.items():
            row = listed.get(name(a, b, hz))
            if row and row["u95_db"] is not None and row["u95_db"] < TOLERANCE_DB:
                self.close(row["expression"], row["level_dbc"],
                           20 * np.log10(value / amplitude[0, 1]))
                compared += 1
        self.assertGreaterEqual(compared, 3)

    def test_figures_agree_with_least_squares(self):
        for kind, hz in PAIRS.items():
            bench.render(self.daemon, f"{self.folder.name}/tone.wav", signal="twin-tone",
                         kind=kind, level_dbfs=-6, duration_s=DURATION_S, channels=1, bits=24,
                         sample_rate_hz=48000)
            for device, commands in DEVICES.items():
                with self.subTest(device, kind=kind):
                    print(f"  {kind} through {device}")
                    for command in commands:
                        subprocess.run(command.split(), cwd=self.folder.name, check=True,
                                       capture_output=True)
                    speed = SPEED if "foreign" in device else 1
                    self.compare(f"{self.folder.name}/out.wav", kind,
                                 [frequency * speed for frequency in hz])


if __name__ == "__main__":
    unittest.main(verbosity=2)
