"""What the health of a recording must tell, and must not: recordings made by NumPy and SciPy,
apart from everything that the worker is made of. The worker is asked on its command line,
which takes the same path as a job."""

import json
import os
import pathlib
import subprocess
import tempfile
import unittest

import numpy as np
import scipy.io.wavfile
import scipy.signal

import bench

WORKER = bench.harness.BIN / "residuum-worker"
SEED = int(os.environ.get("RESIDUUM_SEED", "20261125"))
LIBRARIES = subprocess.run(["ldd", WORKER], capture_output=True, text=True, check=True).stdout
TRIALS = 20 if "libasan" in LIBRARIES else 200  # the sanitizers take ten times as long
RATES = (44100, 48000, 88200, 96000, 176400, 192000, 352800, 384000, 705600, 768000)


def run(*arguments):
    done = subprocess.run([str(WORKER), *map(str, arguments)], capture_output=True, text=True,
                          check=False)
    if done.returncode != 0:
        raise AssertionError(done.stderr)
    return json.loads(done.stdout)


def health(path, signal=None):
    extra = ("--signal", json.dumps(signal)) if signal else ()
    return run("--file", path, "--health", *extra)["health"]


def codes(answer):
    return sorted(warning["code"] for warning in answer["warnings"])


def message(answer, code):
    return next(w["message"] for w in answer["warnings"] if w["code"] == code)


def tone(rate, seconds, hz=997.0, dbfs=-1.0, phase=0.0, ppm=0.0):
    n = np.arange(round(rate * seconds))
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * (1 + ppm * 1e-6) * n / rate + phase)


class HealthCase(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="residuum-health-")
        self.addCleanup(self.folder.cleanup)
        self.path = pathlib.Path(self.folder.name) / "take.wav"


class Numbers(HealthCase):
    def test_frames_cut_from_a_tone_are_found(self):
        """64 frames of 997 Hz at 48 kHz are 64·997/48000 turns: 478.56°, +118.56° modulo 360."""
        x = tone(48000, 10)
        for at in (72000, 200001, 311234):
            with self.subTest(at=at):
                scipy.io.wavfile.write(self.path, 48000,
                                       np.delete(x, slice(at, at + 64)).astype(np.float32))
                answer = health(self.path)
                self.assertEqual(codes(answer), ["dropout"])
                (channel,) = answer["channels"]
                (dropout,) = channel["dropouts"]
                self.assertAlmostEqual(dropout["frame"], at, delta=16)
                off = (dropout["phase_step_deg"] - 118.56 + 180) % 360 - 180
                self.assertAlmostEqual(off, 0, delta=0.5)
                self.assertEqual(dropout["kind"], "missing")
                span = channel["clean_span"]
                end = span["first_frame"] + span["frames"]
                self.assertTrue(end <= at or span["first_frame"] >= at, span)
                longer = max(at, len(x) - 64 - at)
                self.assertGreater(span["frames"], longer - 4800)

    def test_distortion_keeps_to_the_clean_span(self):
        """What is left of a float tone is its own rounding: 2^-25 of each sample at most."""
        at = 72000
        x = np.delete(tone(48000, 10), slice(at, at + 64)).astype(np.float32)
        scipy.io.wavfile.write(self.path, 48000, x)
        result = run("--file", self.path, "--measure", "distortion")
        (channel,) = result["channels"]
        self.assertGreaterEqual(channel["span"]["start_s"], at / 48000)
        for name in ("thd", "thd_plus_noise"):
            figure = channel["figures"][name]
            value = figure["value"] if figure["value"] is not None else figure["bound"]
            self.assertLessEqual(value, -140, name)
        self.assertIn("dropout", codes(result))

    def test_clock_is_told_where_the_signal_is_known(self):
        for ppm in (50, -120, 200):
            x = tone(48000, 5, ppm=ppm, dbfs=-3)
            scipy.io.wavfile.write(self.path, 48000, np.round(x * 2**15).astype(np.int16))
            told = health(self.path, {"name": "tone", "parameters": {"frequency_hz": 997}})
            self.assertAlmostEqual(told["channels"][0]["clock_offset_ppm"], ppm, delta=0.5)
            self.assertEqual(codes(told), ["clock_offset"])
            untold = health(self.path)
            self.assertIsNone(untold["channels"][0]["clock_offset_ppm"])
            self.assertEqual(codes(untold), [])

    def test_another_tone_than_the_signal_tells_is_named(self):
        scipy.io.wavfile.write(self.path, 48000, tone(48000, 5, dbfs=-3).astype(np.float32))
        told = health(self.path, {"name": "tone", "parameters": {"frequency_hz": 5000}})
        self.assertEqual(codes(told), ["wrong_signal"])
        self.assertIsNone(told["channels"][0]["clock_offset_ppm"])
        quiet = tone(48000, 5, dbfs=-70).astype(np.float32)  # an idle channel may whistle
        scipy.io.wavfile.write(self.path, 48000, quiet)
        told = health(self.path, {"name": "tone", "parameters": {"frequency_hz": 5000}})
        self.assertEqual(codes(told), [])

    def test_linear_interpolation_is_told_from_its_images(self):
        """997 Hz at 44.1 kHz, brought to 48 kHz by straight lines: images at 44100 ± 997 Hz fold
        to 4897 and 2903 Hz. A straight line weighs an image at f by sinc²(f/44100): re the tone
        20·log10((997/43103)²) = −65.4 dB and 20·log10((997/45097)²) = −66.2 dB."""
        seconds = 10
        source = tone(44100, seconds + 1, dbfs=-3)
        instants = np.arange(48000 * seconds) * (44100 / 48000)
        x = np.interp(instants, np.arange(len(source)), source)
        scipy.io.wavfile.write(self.path, 48000, np.round(x * 2**23).astype(np.int32) << 8)
        answer = health(self.path)
        self.assertIn("possible_resampler", codes(answer))
        text = message(answer, "possible_resampler")
        for number in ("44100", "4897", "2903", "65.4", "66.2"):
            self.assertIn(number, text)

    def test_an_intersample_over_is_3_dB(self):
        """fs/4 at 45°: every sample at full scale, the waveform √2 above it."""
        n = np.arange(48000)
        x = np.sqrt(2) * np.sin(np.pi * n / 2 + np.pi / 4) * np.hanning(48000) ** 0.05
        scipy.io.wavfile.write(self.path, 48000, (0.999 * x).astype(np.float32))
        answer = health(self.path)
        self.assertAlmostEqual(answer["channels"][0]["intersample_peak_dbfs"], 3.0, delta=0.05)
        self.assertIn("over_full_scale", codes(answer))

    def test_the_delay_between_channels_is_told(self):
        """A fractional delay of band-limited noise, made in the frequency domain."""
        random = np.random.default_rng(SEED)
        noise = random.standard_normal(1 << 18) * 0.1
        spectrum = np.fft.rfft(noise)
        f = np.fft.rfftfreq(len(noise))
        spectrum[(f > 0.4) | (f < 0.001)] = 0
        for delay in (0.0, 0.37, -5.25, 12.0):
            late = np.fft.irfft(spectrum * np.exp(-2j * np.pi * f * delay))
            x = np.column_stack([np.fft.irfft(spectrum), late])
            x += 1e-5 * random.standard_normal(x.shape)
            scipy.io.wavfile.write(self.path, 48000, x.astype(np.float32))
            channel = health(self.path)["channels"][1]
            self.assertAlmostEqual(channel["interchannel_delay_frames"], delay, delta=0.01)


def clipped(x, level):
    return np.clip(x, -level, level)


class Faults(HealthCase):
    """One fault each: its code, and no other."""

    def check(self, x, expected, rate=48000, bits=24):
        full = {16: 2**15, 24: 2**23}.get(bits)
        if bits == "float":
            data = np.asarray(x, np.float32)
        else:
            data = np.clip(np.round(x * full), -full, full - 1).astype(np.int32)
            data = data.astype(np.int16) if bits == 16 else data << 8
        scipy.io.wavfile.write(self.path, rate, data)
        self.assertEqual(codes(health(self.path)), expected)

    def noisy(self, channels=1, seconds=5, dbfs=-3.0, noise=1e-5):
        random = np.random.default_rng(SEED)
        x = np.column_stack([tone(48000, seconds, dbfs=dbfs)] * channels)
        return x + noise * random.standard_normal(x.shape)

    # 32-bit containers hold 24 bits here: that is told as well.
    LOW = "low_bits_unused"

    def test_each_fault_is_named(self):
        x = self.noisy(2)
        rows = {
            "clipped at full scale": (clipped(1.5 * x[:, 0], 1.0), ["clipping"]),
            "clipped below": (0.5 * clipped(1.5 * self.noisy(1, noise=0)[:, 0], 1.0),
                              ["clipping"]),
            "one channel dead": (x * [1, 0], ["channel_silent"]),
            "the same twice": (x[:, [0, 0]], ["channels_identical"]),
            "inverted": (np.column_stack([self.wide(), -self.wide()]), ["polarity_inverted"]),
            "zeroed": (self.zeroed(x[:, 0]), ["dropout"]),
            "repeated": (self.repeated(x[:, 0]), ["dropout"]),
        }
        for name, (samples, expected) in rows.items():
            with self.subTest(name):
                self.check(samples, expected, bits="float")

    @staticmethod
    def wide():
        return 0.1 * np.random.default_rng(7).standard_normal(240000)

    @staticmethod
    def zeroed(x):
        x = x.copy()
        x[100000:100480] = 0
        return x

    @staticmethod
    def repeated(x):
        return np.concatenate([x[:120000], x[120000 - 512:120000], x[120000:]])

    def test_integers_as_floats_are_named(self):
        x = np.round(self.noisy(1, noise=0)[:, 0] * 32767)
        scipy.io.wavfile.write(self.path, 48000, x.astype(np.float32))
        self.assertIn("suspect_int_scaled_float", codes(health(self.path)))

    def test_sixteen_bits_in_a_wider_file_are_named(self):
        x = np.round(self.noisy(1)[:, 0] * 2**15).astype(np.int32) << 16
        scipy.io.wavfile.write(self.path, 48000, x)
        answer = health(self.path)
        self.assertEqual(codes(answer), ["low_bits_unused"])
        self.assertEqual(answer["channels"][0]["bits_in_use"], 16)

    def test_mains_is_named(self):
        x = self.noisy(1, seconds=10)[:, 0]
        t = np.arange(len(x)) / 48000
        for k, level in ((1, -70), (2, -76), (3, -72), (5, -78)):
            x += 10 ** (level / 20) * np.sin(2 * np.pi * 50.01 * k * t + k)
        self.check(x, ["mains_suspected"], bits="float")

    def test_right_justified_samples_are_named(self):
        x = np.round(self.noisy(1)[:, 0] * 2**23).astype(np.int32)  # not shifted to the top
        scipy.io.wavfile.write(self.path, 48000, x)
        self.assertIn("suspect_right_justified", codes(health(self.path)))


class Clean(HealthCase):
    """200 random recordings without a fault: no warning. Channels have their own noise or phase,
    as two converters do. `format` takes all of the container's bits."""

    def setUp(self):
        super().setUp()
        self.random = np.random.default_rng(SEED)

    def base(self, kind, rate, frames):
        random = self.random
        t = np.arange(frames) / rate
        if kind == "tone":
            hz = np.exp(random.uniform(np.log(20), np.log(0.45 * rate)))
            dbfs = random.choice([0.0, -0.5, -1, -3, -12, -40, -60])
            ppm = random.uniform(-200, 200)
            drift = 0.5e-7 * t * t  # 1 ppm in 10 s
            return lambda: 10 ** (dbfs / 20) * np.sin(
                2 * np.pi * hz * ((1 + ppm * 1e-6) * t + drift) + random.uniform(0, 6.28))
        if kind == "sweep":
            # Two channels whose phases happen to lie 180° apart are turned over, whoever did it.
            high, seconds = 0.45 * rate, frames / rate
            rise = np.log(high / 20)
            phase = 2 * np.pi * 20 * seconds / rise * (np.exp(t / seconds * rise) - 1)
            return lambda: 0.5 * np.sin(phase + random.uniform(0, 1.5))
        if kind == "multitone":
            count = random.integers(2, 41)
            hz = np.exp(random.uniform(np.log(20), np.log(0.4 * rate), count))
            return lambda: (0.7 / count) * np.sin(
                2 * np.pi * hz[:, None] * t + random.uniform(0, 6.28, (count, 1))).sum(axis=0)
        # Lower ones, in 32 bits, have the same samples as 24 bits at the wrong end of 32.
        level = 10 ** (random.uniform(-40, -12) / 20)
        cliff = rate >= 96000 and random.integers(2)
        taps = scipy.signal.firwin(255, 22000, fs=rate) if cliff else np.ones(1)
        return lambda: level * scipy.signal.lfilter(
            taps, 1, random.standard_normal(frames)).clip(-4, 4)

    def write(self, rate, x, encoding):
        if encoding.startswith("float"):
            scipy.io.wavfile.write(self.path, rate,
                                   x.astype(np.float32 if encoding == "float_32" else float))
            return
        bits = int(encoding[4:])
        dither = self.random.random(x.shape) - self.random.random(x.shape)
        full = 2.0 ** (bits - 1)
        data = np.clip(np.round(x * full + dither), -full, full - 1).astype(np.int64)
        raw = data.astype("<i8").view(np.uint8).reshape(*data.shape, 8)[:, :, : bits // 8]
        width, channels = bits // 8, x.shape[1]
        body = raw.tobytes()
        head = (b"RIFF" + (36 + len(body)).to_bytes(4, "little") + b"WAVEfmt " +
                (16).to_bytes(4, "little") + (1).to_bytes(2, "little") +
                channels.to_bytes(2, "little") + rate.to_bytes(4, "little") +
                (rate * channels * width).to_bytes(4, "little") +
                (channels * width).to_bytes(2, "little") + bits.to_bytes(2, "little") + b"data" +
                len(body).to_bytes(4, "little"))
        self.path.write_bytes(head + body + b"\0" * (len(body) % 2))

    def test_clean_recordings_raise_no_warning(self):
        alarms = []
        for trial in range(TRIALS):
            kind = ("tone", "sweep", "multitone", "noise")[trial % 4]
            rate = int(self.random.choice(RATES))
            channels = int(self.random.integers(1, 9))
            frames = min(int(rate * self.random.uniform(1, 4)), 4_000_000 // channels)
            encoding = str(self.random.choice(
                ["pcm_16", "pcm_24", "pcm_32", "float_32", "float_64"]))
            make = self.base(kind, rate, frames)
            noise = 10 ** (self.random.uniform(-130, -90) / 20)
            x = np.column_stack([make() for _ in range(channels)])
            x += noise * self.random.standard_normal(x.shape)
            x *= 1 - 6 * noise - 2.0 ** -12  # noise and dither need room below full scale
            self.write(rate, x, encoding)
            answer = health(self.path)
            for warning in answer["warnings"]:
                alarms.append(f"{trial}: {kind} {rate} Hz {channels} ch {encoding}: {warning}")
        self.assertEqual(alarms, [], f"seed {SEED}")


if __name__ == "__main__":
    unittest.main()
