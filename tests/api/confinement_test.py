#!/usr/bin/python3
"""Workers are confined (analysis/worker/confine.h), and under confinement every container is
still read, every measurement taken and every signal rendered, by several jobs of one process."""

import pathlib
import struct
import subprocess
import tempfile
import unittest

import numpy

import harness
import waves

TONE = waves.tone(duration_s=1, channels=2, noise_dbfs=-100)
FRAMES = len(TONE)


def double_wav():
    return waves.riff(TONE.astype("<f8").tobytes(), 2, waves.RATE_HZ, 64, tag=3)


def bw64():
    """As ITU-R BS.2088: RF64 by another name."""
    return b"BW64" + waves.rf64(TONE, FRAMES)[4:]


def by_sox(name, *options):
    """The tone as SoX writes it."""
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder, name)
        subprocess.run(["sox", "-V1", "-D", "-t", "wav", "-", *options, path],
                       input=waves.wav(TONE), check=True)
        return path.read_bytes()


RECORDINGS = {
    "wav, 16 bits": ("wav", lambda: waves.wav(TONE, 16)),
    "wav, 24 bits": ("wav", lambda: waves.wav(TONE, 24)),
    "wav, 32 bits": ("wav", lambda: waves.wav(TONE, 32)),
    "wav, float": ("wav", lambda: waves.float_wav(TONE)),
    "wav, double": ("wav", double_wav),
    "rf64": ("rf64", lambda: waves.rf64(TONE, FRAMES)),
    "bw64": ("bw64", bw64),
    "w64": ("w64", lambda: by_sox("x.w64", "-b", "24")),
    "aiff": ("aiff", lambda: by_sox("x.aiff", "-b", "24")),
    "caf": ("caf", lambda: by_sox("x.caf", "-b", "24")),
    "flac": ("flac", lambda: by_sox("x.flac", "-b", "24")),
}


class Confinement(harness.DaemonCase):
    OPTIONS = ("--workers", "1")

    def tearDown(self):
        """No test makes a worker die."""
        super().tearDown()
        text = self.daemon.get("/metrics").body.decode()
        for kind in ("crashes", "violations", "timeouts", "out_of_memory"):
            self.assertIn(f"\nresiduum_worker_{kind}_total 0\n", text)

    def test_every_worker_is_confined(self):
        self.daemon.upload(waves.wav(TONE))  # by now they all have begun
        pids = self.daemon.worker_pids()
        self.assertEqual(len(pids), 2)
        for pid in pids:
            with open(f"/proc/{pid}/status", encoding="ascii") as status:
                told = dict(line.rstrip("\n").split(":\t", 1) for line in status)
            self.assertEqual(told["NoNewPrivs"], "1")
            self.assertEqual(told["Seccomp"], "2")  # a filter: proc(5)
            self.assertEqual(told["Threads"], "1")

    def test_every_container_is_read_and_measured(self):
        names = [m["name"] for m in self.daemon.get("/v1/measurements").json["measurements"]]
        for name, (container, make) in RECORDINGS.items():
            answer = self.daemon.upload(make())
            self.assertEqual(answer.status, 201, (name, answer))
            self.assertEqual(answer.json["format"]["container"], container)
            self.assertEqual(answer.json["format"]["frames"], FRAMES)
            for measurement in names:
                with self.subTest(name, measurement=measurement):
                    order = self.daemon.analyse(answer.json["id"], measurement=measurement)
                    done = self.daemon.wait_for_end(order)
                    if measurement == "distortion":
                        self.assertEqual(done["state"], "done", done)
                    elif done["state"] == "failed":  # another signal than it measures
                        self.assertEqual(done["problem"]["code"], "not_measurable", done)

    def test_every_signal_is_rendered_and_every_measurement_has_one(self):
        signals = self.daemon.get("/v1/signals").json["signals"]
        names = [m["name"] for m in self.daemon.get("/v1/measurements").json["measurements"]]
        measured = set()
        for signal in signals:
            for kind in signal["formats"]:
                with self.subTest(signal["name"], format=kind):
                    path = f"/v1/signals/{signal['name']}/audio?format={kind}"
                    answer = self.daemon.get(path)
                    self.assertEqual(answer.status, 200, answer)
                    rendered = self.daemon.upload(answer.body)
                    self.assertEqual(rendered.status, 201)
                    self.assertEqual(rendered.json["format"]["container"], kind)
            for name in names:
                order = self.daemon.analyse(rendered.json["id"], measurement=name)
                if self.daemon.wait_for_end(order)["state"] == "done":
                    measured.add(name)
        self.assertEqual(measured, set(names))

    def test_what_cannot_be_read_is_refused_and_not_fatal(self):
        noise = numpy.random.default_rng(1).bytes(5000)
        sound = waves.wav(TONE)
        for body, status in ((noise, 415), (sound[:44], 422), (b"fLaC" + noise, 415),
                             (b"RIFF" + struct.pack("<I", 5000) + b"WAVE" + noise, 415)):
            with self.subTest(body[:12]):
                self.assertEqual(self.daemon.upload(body).status, status)


class OlderKernel(unittest.TestCase):
    """strace answers in its place for a kernel without Landlock."""

    def test_that_landlock_is_missing_is_told_once_and_work_goes_on(self):
        call = "landlock_create_ruleset"
        before = ("strace", "-D", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e",
                  f"inject={call}:error=ENOSYS")
        daemon = harness.Daemon("--workers", "2", before=before,
                                # looking for leaks is tracing, too
                                environment={"ASAN_OPTIONS": "detect_leaks=0"})
        try:
            capture = daemon.upload(waves.wav(TONE)).json["id"]
            self.assertEqual(daemon.wait_for_end(daemon.analyse(capture))["state"], "done")
        finally:
            log = daemon.stop()
        self.assertEqual(log.count("no Landlock"), 1, log)


if __name__ == "__main__":
    harness.main()
