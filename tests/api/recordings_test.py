"""Recordings that other programs made, the whole way through the daemon: our tone, passed
through SoX, an Opus and a Vorbis round trip as the device, measured by the daemon and by
another method: least squares of tone and harmonics (numpy) and, of what is left, the
spectrum in the band cut off sharply, over the span that the daemon reports."""

import pathlib
import subprocess
import tempfile

import numpy

import harness

TONE_HZ = 997.0
DEVICES = {
    "attenuated": "sox -V1 -R tone.wav -b 24 device.wav gain -6",
    "overdriven": "sox -V1 -R tone.wav device.wav gain -9 overdrive 6 30",
    "resampled": "sox -V1 -R tone.wav -b 16 device.wav rate -v 44100",
    "opus": "opusenc --quiet --bitrate 160 tone.wav tone.opus &&"
            " opusdec --quiet tone.opus device.wav",
    "vorbis": "oggenc -Q -q 6 tone.wav -o tone.ogg && oggdec -Q -b 16 tone.ogg -o device.wav",
}
HIGHEST = 10


def read_by_sox(path):
    """Rate and first channel, in ±1.0; not by the library under test."""
    def run(*arguments):
        return subprocess.run(["sox", *arguments], check=True, capture_output=True).stdout

    rate_hz = int(run("--i", "-r", path))
    channels = int(run("--i", "-c", path))
    raw = run("-V1", path, "-t", "f64", "-")
    return rate_hz, numpy.frombuffer(raw, "<f8").reshape(-1, channels)[:, 0]


def least_squares(x, rate_hz):
    """Frequency, amplitudes of the orders 1…HIGHEST, and x without its tone and offset.
    The frequency by Gauss-Newton steps, as in the four-parameter fit of IEEE 1057."""
    t = (numpy.arange(len(x)) - len(x) / 2) / rate_hz
    frequency_hz = TONE_HZ
    for _ in range(6):
        columns = [numpy.ones(len(x))]
        for order in range(1, HIGHEST + 1):
            phase = 2 * numpy.pi * frequency_hz * order * t
            columns += [numpy.cos(phase), numpy.sin(phase)]
        matrix = numpy.column_stack(columns)
        terms = numpy.linalg.solve(matrix.T @ matrix, matrix.T @ x)
        slope = 2 * numpy.pi * t * (terms[2] * matrix[:, 1] - terms[1] * matrix[:, 2])
        frequency_hz += slope @ (x - matrix @ terms) / (slope @ slope)
    amplitudes = numpy.hypot(terms[1::2], terms[2::2])
    return frequency_hz, amplitudes, x - matrix[:, :3] @ terms[:3]


def residual_power(residual, rate_hz, frequency_hz):
    """In 20 Hz…20 kHz: least and most. What lies within 1 % of the tone counts as the tone's
    own, and the noise beside it stands in. For a steady device that is a matter of 0.005 dB;
    the noise of a codec hugs the tone, so that it lies between leaving out what is nearer
    than 1 % and putting in its place what is there or the density of the next 1 %."""
    power = numpy.abs(numpy.fft.rfft(residual)) ** 2 * 2 / len(residual) ** 2
    f = numpy.fft.rfftfreq(len(residual), 1 / rate_hz)
    band = (f >= 20) & (f <= 20000)
    distance = abs(f - frequency_hz) / frequency_hz
    near, beside = distance <= 0.01, (distance > 0.01) & (distance <= 0.02)
    least = power[band & ~near].sum()
    return least, least + max(power[near].sum(), power[beside].mean() * near.sum())


def db(power_ratio):
    return 10 * numpy.log10(power_ratio)


class Recordings(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.tone = cls.daemon.get(
            f"/v1/signals/tone/audio?frequency_hz={TONE_HZ:g}&level_dbfs=-1&bits=24"
            "&sample_rate_hz=48000&channels=2&duration_s=30").body

    def measured(self, command):
        """The first channel's result, and the same by the other method."""
        with tempfile.TemporaryDirectory() as folder:
            (pathlib.Path(folder) / "tone.wav").write_bytes(self.tone)
            subprocess.run(command, shell=True, check=True, cwd=folder)
            path = pathlib.Path(folder) / "device.wav"
            answer = self.daemon.upload(path.read_bytes())
            self.assertEqual(answer.status, 201, answer)
            rate_hz, x = read_by_sox(path)
        analysis = self.daemon.wait_for_end(self.daemon.analyse(answer.json["id"]))
        self.assertEqual(analysis["state"], "done", analysis)
        channel = self.daemon.get(analysis["links"]["result"]).json["channels"][0]
        first, last = (round(channel["span"][end] * rate_hz) for end in ("start_s", "end_s"))
        frequency_hz, amplitudes, residual = least_squares(x[first:last], rate_hz)
        return channel, frequency_hz, amplitudes, residual_power(residual, rate_hz, frequency_hz)

    def between(self, figure, least, most, tolerance):
        """To the tolerance, or to the scatter that the figure itself claims."""
        self.assertIsNotNone(figure["value"], figure)
        tolerance = max(tolerance, figure["u95"])
        self.assertGreaterEqual(figure["value"], least - tolerance)
        self.assertLessEqual(figure["value"], most + tolerance)

    def test_figures_agree_with_another_method(self):
        for name, command in DEVICES.items():
            with self.subTest(name):
                channel, frequency_hz, amplitudes, (least, most) = self.measured(command)
                figures = channel["figures"]
                tone = amplitudes[0] ** 2 / 2
                self.assertAlmostEqual(
                    figures["fundamental_frequency"]["value"] / frequency_hz, 1, delta=1e-8)
                self.between(figures["fundamental_level"], db(2 * tone), db(2 * tone), 0.001)
                self.between(figures["sinad"], db(tone / most), db(tone / least), 0.02)
                self.between(figures["thd_plus_noise"], db(least / (tone + least)),
                             db(most / (tone + most)), 0.02)

    def test_harmonics_agree_with_another_method(self):
        channel, _, amplitudes, _ = self.measured(DEVICES["overdriven"])
        levels = 20 * numpy.log10(amplitudes / amplitudes[0])
        self.assertGreater(levels[1], -60, "the device has even harmonics")
        thd = db((amplitudes[1:] ** 2).sum() / amplitudes[0] ** 2)
        self.between(channel["figures"]["thd"], thd, thd, 0.02)
        for row in channel["lists"]["harmonics"]:
            if levels[row["order"] - 1] > -90:
                self.assertAlmostEqual(row["level_dbc"], levels[row["order"] - 1], delta=0.02)


if __name__ == "__main__":
    harness.main()
