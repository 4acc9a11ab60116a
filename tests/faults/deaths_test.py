#!/usr/bin/python3
"""What becomes of an analysis, and of the daemon, when its worker crashes, hangs, runs out of
memory or breaks out: each is told apart in the analysis, counted in /metrics, and nothing else
is touched. The worker is tests/faults/hostile_worker.c, confined as the real one is."""

import re
import struct
import sys
import time

sys.path.insert(0, __file__.rsplit("/", 2)[0] + "/api")
import harness  # noqa: E402
import waves  # noqa: E402

WORKER = harness.BIN.parent / "tests/hostile-worker"
# 60 s and one per 4 MiB of recording
DEADLINE_S = 60
COUNTERS = ("crashes", "timeouts", "out_of_memory", "violations")


def sanitized():
    """Address and thread sanitizers leave memory without a limit (confine.h)."""
    with open(WORKER, "rb") as program:
        content = program.read()
    return b"__asan_init" in content or b"__tsan_init" in content


def recording(act, seed, when=b"m"):
    """A tone over which the worker does what the chunk says, as soon as it inspects (i),
    looks at the health (h) or measures (m)."""
    chunk = b"act" + when + struct.pack("<I", 8) + act.encode().ljust(8, b"\0")
    samples = waves.tone(duration_s=1, noise_dbfs=-100, seed=seed)
    return waves.riff(waves.pcm(samples, 24), 1, waves.RATE_HZ, 24, extra=chunk)


class Deaths(harness.DaemonCase):
    OPTIONS = ("--workers", "2", "--worker", WORKER)

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        # runs while the other tests do
        cls.hung_at = time.monotonic()
        cls.hung = cls.daemon.analyse(cls.daemon.upload(recording("hang", 1)).json["id"])

    def counted(self):
        text = self.daemon.get("/metrics").body.decode()
        found = dict(re.findall(r"^residuum_worker_(\w+)_total (\d+)$", text, re.M))
        return {name: int(found[name]) for name in COUNTERS}

    def check_end(self, act, code, **grown):
        """The analysis ends so; the counters grow by so much, the others not at all."""
        before = self.counted()
        capture = self.daemon.upload(recording(act, 2)).json["id"]
        analysis = self.daemon.wait_for_end(self.daemon.analyse(capture))
        if code is None:
            self.assertEqual(analysis["state"], "done", analysis)
        else:
            self.assertEqual(analysis["state"], "failed", analysis)
            self.assertEqual(analysis["problem"]["code"], code, analysis)
            meaning = self.daemon.get(f"/v1/problems/{code}").json
            self.assertEqual(analysis["problem"]["title"], meaning["title"])
        self.check_counted(before, **grown)

    def check_counted(self, before, **grown):
        wanted = {name: before[name] + grown.get(name, 0) for name in COUNTERS}
        end = time.monotonic() + harness.PATIENCE_S
        while self.counted() != wanted and time.monotonic() < end:  # once it is reaped
            time.sleep(0.02)
        self.assertEqual(self.counted(), wanted)
        # the next recording is measured as ever
        capture = self.daemon.upload(recording("none", 3)).json["id"]
        done = self.daemon.wait_for_end(self.daemon.analyse(capture))
        self.assertEqual(done["state"], "done", done)

    def test_a_crash_is_tried_again_once(self):
        self.check_end("crash", "worker_crashed", crashes=2)

    def test_one_that_babbles_is_stopped_and_not_taken_for_the_kernel_s_doing(self):
        self.check_end("babble", "worker_crashed", crashes=2)
        self.assertEqual(self.daemon.log().count("said what no worker says"), 2)

    def test_out_of_memory(self):
        if sanitized():
            self.check_end("none", None)
        else:
            self.check_end("memory", "out_of_memory", out_of_memory=1)

    def test_deaths_over_the_health_are_told_apart(self):
        cases = [("crash", "worker_crashed", {"crashes": 2}, True),
                 ("socket", "confinement", {"violations": 1}, True)]
        if not sanitized():
            cases.append(("memory", "out_of_memory", {"out_of_memory": 1}, False))
        for act, code, grown, quarantined in cases:
            with self.subTest(act):
                before = self.counted()
                made = self.daemon.upload(recording(act, 4, b"h")).json
                capture = self.daemon.looked_at(made["id"])
                self.assertEqual(capture["health"]["state"], "failed")
                self.assertEqual(capture["health"]["problem"]["code"], code)
                self.assertEqual(capture["quarantined"], quarantined)
                self.check_counted(before, **grown)

    def test_a_file_that_breaks_out_when_it_is_inspected_is_kept_and_counted(self):
        before = self.counted()
        answer = self.daemon.upload(recording("socket", 5, b"i"))
        self.assertEqual(answer.status, 201, answer)
        made = answer.json
        self.assertIsNone(made["format"])
        self.assertEqual(made["health"]["problem"]["code"], "confinement")
        self.assertTrue(made["quarantined"])
        order = {"capture": made["id"], "measurement": "distortion"}
        self.assertEqual(self.daemon.post_json("/v1/analyses", order).status, 409)
        self.assertIn(f"capture {made['id']} could not be inspected", self.daemon.log())
        self.check_counted(before, violations=1)
        # once more, where somebody says so: only its looking at the header broke out
        again = self.daemon.ask("PATCH", f"/v1/captures/{made['id']}", '{"quarantined":false}',
                                {"Content-Type": "application/json"})
        self.assertEqual(again.status, 200, again)
        self.assertEqual(self.daemon.looked_at(made["id"])["health"]["state"], "done")
        self.assertEqual(self.daemon.upload(recording("none", 6)).status, 201)

    def test_breaking_out_is_not_tried_again(self):
        acts = ["program", "fork", "socket"] + ([] if sanitized() else ["code"])
        for act in acts:
            with self.subTest(act):
                self.check_end(act, "confinement", violations=1)
        self.assertEqual(
            len(re.findall(r" critical: worker \d+ tried to leave", self.daemon.log())),
            self.counted()["violations"])

    def test_secrets_cannot_be_read(self):
        self.check_end("secrets", None)
        if not sanitized():
            self.assertNotIn("SECRET", self.daemon.log())

    def test_what_hangs_is_ended_at_its_deadline(self):
        before = self.counted()
        state = "running"
        while state in ("queued", "running"):
            self.assertLess(time.monotonic() - self.hung_at, 3 * DEADLINE_S)
            analysis = self.daemon.get(f"/v1/analyses/{self.hung}", Prefer="wait=10").json
            state = analysis["state"]
        self.assertGreaterEqual(time.monotonic() - self.hung_at, DEADLINE_S)
        self.assertEqual(analysis["state"], "failed")
        self.assertEqual(analysis["problem"]["code"], "timed_out")
        self.assertEqual(self.counted()["timeouts"], 1)
        self.assertEqual({**self.counted(), "timeouts": 0}, {**before, "timeouts": 0})


if __name__ == "__main__":
    harness.main()
