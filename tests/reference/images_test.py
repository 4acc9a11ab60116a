"""Images that a poor conversion of the sample rate leaves, as SoX makes them of our multitone
(`rate -l` from 48 to 96 kHz): the tones mirrored about the old rate, far above the band that
is heard. Measured here in a wide band, and by a least-squares fit of tones and images together
(numpy), which knows no window and no segments. They agree within 0.1 dB.
"""
import subprocess
import tempfile
import unittest

import numpy as np

import bench

TOLERANCE_DB = 0.1
RATE_HZ = 48000
BAND_HZ = (20, 44000)


def fit(x, rate, frequencies_hz):
    """Mean square of each tone, and what is left of x; all are fitted at once, with dc."""
    t = (np.arange(len(x)) - len(x) / 2) / rate
    columns = [np.ones(len(x))]
    for hz in frequencies_hz:
        columns += [np.sin(2 * np.pi * hz * t), np.cos(2 * np.pi * hz * t)]
    columns = np.stack(columns, axis=1)
    c = np.linalg.solve(columns.T @ columns, columns.T @ x)
    return (c[1::2] ** 2 + c[2::2] ** 2) / 2, x - columns @ c


def in_band(x, rate):
    """Mean square, by one transform cut at the band's edges."""
    hz = np.fft.rfftfreq(len(x), 1 / rate)
    inside = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1])
    return 2 * (np.abs(np.fft.rfft(x)[inside]) ** 2).sum() / len(x) ** 2


class ImagesTest(unittest.TestCase):
    def setUp(self):
        self.daemon = bench.harness.Daemon()
        self.folder = tempfile.TemporaryDirectory(prefix="residuum-images-")

    def tearDown(self):
        self.folder.cleanup()
        self.daemon.stop()

    def close(self, what, got, want, tolerance):
        print(f"    {what:20} {got:10.4f}  least squares {want:10.4f}  {got - want:+.4f}")
        self.assertLessEqual(abs(got - want), tolerance, what)

    def test_the_largest_line_is_the_strongest_image(self):
        parameters = {"level_dbfs": -6, "channels": 1, "bits": 24, "sample_rate_hz": RATE_HZ}
        folder = self.folder.name
        bench.render(self.daemon, f"{folder}/in.wav", "multitone", **parameters)
        subprocess.run("sox -D in.wav out.wav rate -l 96000".split(), cwd=folder, check=True)
        result, _ = bench.measure(self.daemon, f"{folder}/out.wav", "multitone",
                                  {"name": "multitone", "parameters": parameters},
                                  band_hz=list(BAND_HZ))
        channel = result["channels"][0]
        figures = {name: figure["value"] for name, figure in channel["figures"].items()}
        rate, x = bench.samples(f"{folder}/out.wav")
        first, last = bench.span(channel, rate)
        tones = [tone["frequency_hz"] for tone in channel["lists"]["tones"]]
        images = [RATE_HZ - hz for hz in tones if RATE_HZ - hz < BAND_HZ[1]]
        powers, rest = fit(x[first:last, 0], rate, tones + images)
        ratio = 10 * np.log10(powers[len(tones):].max() / powers.sum())
        self.assertEqual(len(tones), 31)
        self.close("largest_line_ratio", figures["largest_line_ratio"], ratio, TOLERANCE_DB)
        self.close("largest_line_bits", figures["largest_line_bits"], -ratio / 6.02,
                   TOLERANCE_DB / 6.02)
        strongest = images[int(powers[len(tones):].argmax())]
        self.close("largest_line_frequency", figures["largest_line_frequency"], strongest, 0.01)
        self.close("residual_ratio", figures["residual_ratio"],
                   10 * np.log10((powers[len(tones):].sum() + in_band(rest, rate))
                                 / powers.sum()), TOLERANCE_DB)


if __name__ == "__main__":
    unittest.main(verbosity=2)
