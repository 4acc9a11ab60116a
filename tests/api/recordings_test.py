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
    "attenuated": "sox -V1 -R tone.wav device.wav gain -6",
    "overdriven": "sox -V1 -R tone.wav device.wav gain -9 overdrive 6 30",
    "resampled": "sox -V1 -R tone.wav -b 24 device.wav rate -v 44100",
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
        terms = numpy.linalg.lstsq(matrix, x, rcond=None)[0]
        slope = 2 * numpy.pi * t * (terms[2] * matrix[:, 1] - terms[1] * matrix[:, 2])
        frequency_hz += slope @ (x - matrix @ terms) / (slope @ slope)
    amplitudes = numpy.hypot(terms[1::2], terms[2::2])
    return frequency_hz, amplitudes, x - matrix[:, :3] @ terms[:3]


def residual_power(residual, rate_hz, frequency_hz):
    """In 20 Hz…20 kHz; within 1 % of the tone the density of the next 1 % stands in, for the
    measurement counts what is nearer than 1 % as the tone's own."""
    power = numpy.abs(numpy.fft.rfft(residual)) ** 2 * 2 / len(residual) ** 2
    f = numpy.fft.rfftfreq(len(residual), 1 / rate_hz)
    band = (f >= 20) & (f <= 20000)
    distance = abs(f - frequency_hz) / frequency_hz
    near, beside = distance <= 0.01, (distance > 0.01) & (distance <= 0.02)
    return power[band & ~near].sum() + power[beside].mean() * near.sum()


def db(power_ratio):
    return 10 * numpy.log10(power_ratio)


class Recordings(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.tone = cls.daemon.get(
            f"/v1/signals/tone/audio?frequency_hz={TONE_HZ:g}&level_dbfs=-1&bits=24"
            "&sample_rate_hz=48000&channels=2&duration_s=10").body

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
        power = residual_power(residual, rate_hz, frequency_hz)
        return channel, frequency_hz, amplitudes, power

    def close(self, figure, want, tolerance):
        """Within the tolerance, or the scatter that the figure itself claims."""
        self.assertIsNotNone(figure["value"], figure)
        self.assertAlmostEqual(figure["value"], want, delta=max(tolerance, figure["u95"]))

    def test_figures_agree_with_another_method(self):
        for name, command in DEVICES.items():
            with self.subTest(name):
                channel, frequency_hz, amplitudes, power = self.measured(command)
                figures = channel["figures"]
                tone_power = amplitudes[0] ** 2 / 2
                self.assertAlmostEqual(
                    figures["fundamental_frequency"]["value"] / frequency_hz, 1, delta=1e-8)
                self.close(figures["fundamental_level"], db(2 * tone_power), 0.001)
                self.close(figures["sinad"], db(tone_power / power), 0.02)
                self.close(figures["thd_plus_noise"], db(power / (tone_power + power)), 0.02)

    def test_harmonics_agree_with_another_method(self):
        channel, _, amplitudes, _ = self.measured(DEVICES["overdriven"])
        levels = 20 * numpy.log10(amplitudes / amplitudes[0])
        self.assertGreater(levels[1], -60, "the device has even harmonics")
        thd = db((amplitudes[1:] ** 2).sum() / amplitudes[0] ** 2)
        self.close(channel["figures"]["thd"], thd, 0.02)
        for row in channel["lists"]["harmonics"]:
            if levels[row["order"] - 1] > -90:
                self.assertAlmostEqual(row["level_dbc"], levels[row["order"] - 1], delta=0.02)


if __name__ == "__main__":
    harness.main()
