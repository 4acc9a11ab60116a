"""The things a user copies, run as a user runs them."""

import json
import math
import os
import pathlib
import re
import subprocess
import tempfile
import time

import harness
import waves


class Case(harness.DaemonCase):
    OPTIONS = ("--max-upload", str(8 << 20))

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.folder = tempfile.TemporaryDirectory()

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        super().tearDownClass()

    def run_example(self, name, *arguments, server=None):
        return subprocess.run(
            [str(harness.EXAMPLES / name), *arguments], capture_output=True, text=True,
            timeout=120, check=False,
            env={**os.environ, "RESIDUUM_SERVER": server or self.daemon.url})


class Examples(Case):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.tone = str(pathlib.Path(cls.folder.name) / "desk three.wav")
        samples = waves.tone(997, -3, 5, 2, ((2, -70.0),), noise_dbfs=-100)
        pathlib.Path(cls.tone).write_bytes(waves.wav(samples))

    def test_python_prints_a_table(self):
        done = self.run_example("measure.py", self.tone)
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertIn("desk three.wav: wav pcm_24, 48000 Hz, 2 channels, 5.00 s", done.stdout)
        level = re.search(r"fundamental_level +(\S+) ± \S+ dBFS +(\S+) ± \S+ dBFS", done.stdout)
        self.assertAlmostEqual(float(level.group(1)), -3, delta=0.001)
        self.assertAlmostEqual(float(level.group(2)), -3, delta=0.001)
        self.assertRegex(done.stdout, r"fundamental_voltage +— \(needs a calibration in volts\)")
        self.assertRegex(done.stdout, r"(?m)^ +2 +1994 +-(70\.0|69\.9)\S* ± ")

    def test_python_prints_json_for_several_files(self):
        done = self.run_example("measure.py", "--json", "--settings", '{"frequency_hz":997}',
                                self.tone, self.tone)
        self.assertEqual(done.returncode, 0, done.stderr)
        results = [json.loads(line) for line in done.stdout.splitlines()]
        self.assertEqual(len(results), 2)
        for result in results:
            self.assertEqual(result["settings"]["frequency_hz"], 997)
            self.assertAlmostEqual(
                result["channels"][0]["figures"]["thd"]["value"], -70, delta=0.1)

    def test_python_judges_by_a_floor(self):
        floor = pathlib.Path(self.folder.name) / "recorder.wav"
        floor.write_bytes(waves.wav(waves.tone(997, -3, 5, 2, noise_dbfs=-101, seed=2)))
        done = self.run_example("measure.py", "--floor", str(floor), self.tone)
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertRegex(done.stdout, r"noise_level +at most -10\d\.\d+ dBFS +at most -10")
        self.assertRegex(done.stdout, r"thd +-(70\.0|69\.9)\S* ± ")
        self.assertIn("near_instrument_floor", done.stdout)
        done = self.run_example("measure.py", "--floor", "missing.wav", self.tone)
        self.assertEqual((done.returncode, done.stdout), (1, ""))
        self.assertIn("missing.wav", done.stderr)

    def test_python_measures_by_what_was_played(self):
        done = self.run_example("measure.py", "--json", "--signal", "silence", "--measure", "noise",
                                "--measure", "distortion", self.tone)
        results = [json.loads(line) for line in done.stdout.splitlines()]
        self.assertEqual([r["measurement"] for r in results], ["noise", "distortion"])
        self.assertEqual({r["signal"]["name"] for r in results}, {"silence"})
        signal = {"name": "tone", "parameters": {"frequency_hz": 1994}}
        done = self.run_example("measure.py", "--json", "--signal", json.dumps(signal), self.tone)
        result = json.loads(done.stdout)
        self.assertEqual(result["measurement"], "distortion")
        self.assertEqual(result["settings"]["frequency_hz"], 1994)
        done = self.run_example("measure.py", "--signal", "tune", self.tone)
        self.assertEqual(done.returncode, 1)
        self.assertIn("tone", done.stderr)

    def test_python_goes_on_after_a_bad_file(self):
        text = pathlib.Path(self.folder.name) / "notes.txt"
        text.write_text("take 1: desk three\n" * 40, encoding="utf-8")
        done = self.run_example("measure.py", str(text), "missing.wav", self.tone)
        self.assertEqual(done.returncode, 1)
        self.assertIn("not_audio", done.stderr)
        self.assertIn("missing.wav", done.stderr)
        self.assertIn("fundamental_level", done.stdout)

    def test_python_tells_a_misspelt_setting(self):
        done = self.run_example("measure.py", "--settings", '{"frequenzy_hz":997}', self.tone)
        self.assertEqual(done.returncode, 1)
        self.assertIn("frequency_hz", done.stderr)

    def test_python_tells_that_a_file_is_too_large(self):
        large = pathlib.Path(self.folder.name) / "large.wav"
        large.write_bytes(waves.wav(waves.tone(duration_s=60)))
        done = self.run_example("measure.py", str(large))
        self.assertEqual(done.returncode, 1)
        self.assertIn(str(8 << 20), done.stderr)

    def test_python_tells_that_no_daemon_is_there(self):
        done = self.run_example("measure.py", self.tone, server="http://127.0.0.1:1")
        self.assertEqual(done.returncode, 3)
        self.assertIn("http://127.0.0.1:1", done.stderr)
        self.assertIn("residuumd", done.stderr)

    def test_python_tells_that_the_daemon_went_away(self):
        daemon = harness.Daemon("--workers", "1")
        long = pathlib.Path(self.folder.name) / "long.wav"
        long.write_bytes(waves.wav(waves.tone(duration_s=200, channels=4)))
        busy = daemon.upload(long.read_bytes()).json["id"]
        for _ in range(8):
            daemon.analyse(busy)
        client = subprocess.Popen(
            [str(harness.EXAMPLES / "measure.py"), "--server", daemon.url, self.tone],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        while len(daemon.get("/v1/analyses").json["analyses"]) < 9:
            time.sleep(0.02)
        daemon.kill()
        out, errors = client.communicate(timeout=60)
        self.assertEqual((client.returncode, out), (3, ""))
        self.assertRegex(errors, "broke off|No daemon answers")

    def test_python_refuses_wrong_usage(self):
        for arguments in ([], ["--settings", "[1]", self.tone], ["--signal", "{1", self.tone],
                          ["--colour", self.tone]):
            with self.subTest(arguments):
                self.assertEqual(self.run_example("measure.py", *arguments).returncode, 2)

    def test_python_ends_where_nobody_reads(self):
        read, write = os.pipe()
        os.close(read)
        done = subprocess.run(
            [str(harness.EXAMPLES / "measure.py"), self.tone], stdout=write,
            stderr=subprocess.PIPE, text=True, timeout=120, check=False,
            env={**os.environ, "RESIDUUM_SERVER": self.daemon.url})
        os.close(write)
        # as a program that SIGPIPE ends
        self.assertEqual((done.returncode, done.stderr), (141, ""))

    def test_shell_prints_the_figures(self):
        done = self.run_example("measure.sh", self.tone, '{"frequency_hz":997}')
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        level = re.search(r"channel 1\n(?:.*\n)*?  fundamental_level  (\S+) dBFS", done.stdout)
        self.assertAlmostEqual(float(level.group(1)), -3, delta=0.001)

    def test_shell_takes_any_measurement(self):
        done = self.run_example("measure.sh", self.tone, "{}", "noise")
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertRegex(done.stdout, r"(?m)^  noise_level  -\d")

    def test_shell_tells_what_is_wrong(self):
        done = self.run_example("measure.sh", self.tone, '{"frequenzy_hz":997}')
        self.assertNotEqual(done.returncode, 0)
        self.assertIn("frequency_hz", done.stderr)

    def test_simulated_adapter_measures_as_it_says(self):
        """The closed forms in simulated_adapter.py against the figures measured."""
        folder = pathlib.Path(self.folder.name)
        played = self.daemon.get(
            "/v1/signals/tone/audio?frequency_hz=997&level_dbfs=-1&sample_rate_hz=48000"
            "&bits=24&channels=1&duration_s=4")
        self.assertEqual(played.status, 200, played)
        (folder / "tone.wav").write_bytes(played.body)
        recorded = str(folder / "recorded.wav")
        made = self.run_example("simulated_adapter.py", str(folder / "tone.wav"), recorded)
        self.assertEqual(made.returncode, 0, made.stderr)
        self.assertIn("Simulated", made.stdout)
        want = {int(order): [float(left), float(right)] for order, left, right in re.findall(
            r"harmonic (\d): (\S+) dBc on channel 1, (\S+) dBc on channel 2", made.stdout)}
        done = self.run_example("measure.py", "--json", recorded)
        result = json.loads(done.stdout)
        for channel in (0, 1):
            figures = result["channels"][channel]["figures"]
            frequency = figures["fundamental_frequency"]["value"]
            self.assertAlmostEqual((frequency / 997 - 1) * 1e6, 37, delta=0.1)
            self.assertAlmostEqual(figures["fundamental_level"]["value"], -3, delta=0.002)
            for row in result["channels"][channel]["lists"]["harmonics"][:2]:
                self.assertAlmostEqual(
                    row["level_dbc"], want[row["order"]][channel], delta=0.5)


class Bench(Case):
    """bench.py, from the signals to the figures of the simulated adapter."""

    STEPS = ("jitter", "multitone", "silence", "tone", "tone-60", "two-high-tones", "two-tones")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.signals, cls.unit = (pathlib.Path(cls.folder.name) / name for name in ("play", "a"))

    def test_a_round(self):
        done = self.run_example("bench.py", "render", str(self.signals))
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.assertEqual(sorted(path.stem for path in self.signals.iterdir()), list(self.STEPS))
        self.unit.mkdir()
        for step in self.STEPS:
            made = self.run_example("simulated_adapter.py", "--one-clock",
                                    str(self.signals / f"{step}.wav"),
                                    str(self.unit / f"{step}.wav"))
            self.assertEqual(made.returncode, 0, made.stderr)
        done = self.run_example("bench.py", "measure", str(self.unit))
        self.assertEqual((done.returncode, done.stderr), (0, ""))
        self.check_figures(done.stdout, made.stdout)
        full = self.run_example("bench.py", "--full", "--floor", str(self.signals), "measure",
                                str(self.unit))
        self.assertEqual((full.returncode, full.stderr), (0, ""))
        for measurement in self.daemon.get("/v1/measurements").json["measurements"]:
            self.assertIn(f"\n  {measurement['name']}, ana_", full.stdout)
            for each in measurement["lists"]:
                self.assertIn(f"\n  {each['name']} of channel 2", full.stdout)
        self.check_what_is_missing()

    def check_figures(self, told, put_in):
        """Noise of -100 dBFS up to 24 kHz, a gain of -2 dB, and curves x + a x² + b x³."""
        rows = {}
        for step, figure, *values in re.findall(
                r"(?m)^  (\S+) +(\w+) +(-?[\d.]+) ± \S+ \S+ +(-?[\d.]+) ± ", told):
            rows[step, figure] = [float(value) for value in values]
        noise = -100 + 10 * math.log10(19980 / 24000)
        peak = 10 ** (-3 / 20)  # played at -1 dBFS
        curves = re.findall(r"channel \d: x \+ (\S+) x\^2 \+ (\S+) x\^3", put_in)
        self.assertEqual(len(curves), 2)
        for channel, (second, third) in enumerate(curves):
            # re the upper tone: 2·a·A1 of the second order and 1.5·b·A1² of the third
            low = 0.8 * peak
            modulation = math.hypot(2 * float(second) * low, 1.5 * float(third) * low**2)
            self.assertAlmostEqual(rows["tone-60", "dynamic_range"][channel], -62 + 60 - noise,
                                   delta=0.1)
            self.assertAlmostEqual(rows["two-tones", "modulation_distortion"][channel],
                                   20 * math.log10(modulation), delta=0.2)
        self.assertIn("jitter", told)

    def check_what_is_missing(self):
        (self.unit / "multitone.wav").unlink()
        done = self.run_example("bench.py", "measure", str(self.unit))
        self.assertEqual(done.returncode, 1)
        self.assertIn("multitone.wav", done.stderr)
        self.assertIn("sinad", done.stdout)

    def test_what_cannot_be_rendered_is_said(self):
        done = self.run_example("bench.py", "--rate", "8000", "render", str(self.signals / "x"))
        self.assertEqual(done.returncode, 1)
        self.assertIn("frequency_2_hz", done.stderr)
        done = self.run_example("bench.py", "render", "x", server="http://127.0.0.1:1")
        self.assertEqual(done.returncode, 3)
        self.assertIn("http://127.0.0.1:1", done.stderr)


if __name__ == "__main__":
    harness.main()
