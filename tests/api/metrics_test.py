"""/metrics in the text format of Prometheus (exposition format 0.0.4), by a strict reading of
it; names by its conventions (base units, `_total` for counters); and numbers that follow what
happens."""

import contextlib
import os
import re
import time

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=1, noise_dbfs=-100))
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = rf'{NAME}="[^"\\\n]*"'
SAMPLE = re.compile(rf"({NAME})(?:\{{({LABEL}(?:,{LABEL})*)\}})? (-?[0-9.e+-]+)")
HISTOGRAM = ("_bucket", "_sum", "_count")


class Metrics(harness.DaemonCase):
    OPTIONS = ("--workers", "1")

    def read(self):
        """{(name, label values): number} after checking every line."""
        answer = self.daemon.get("/metrics")
        self.assertEqual(answer.status, 200)
        self.assertEqual(
            answer.headers["content-type"], "text/plain; version=0.0.4; charset=utf-8")
        self.assertEqual(answer.headers["cache-control"], "no-store")
        text = answer.body.decode("ascii")
        self.assertTrue(text.endswith("\n"))
        samples, types, helped = {}, {}, set()
        for line in text.splitlines():
            if told := re.fullmatch(rf"# HELP ({NAME}) \S.*\.", line):
                self.assertNotIn(told[1], helped)
                helped.add(told[1])
            elif told := re.fullmatch(rf"# TYPE ({NAME}) (counter|gauge|histogram)", line):
                self.assertIn(told[1], helped)
                types[told[1]] = told[2]
                last = told[1]
            else:
                told = SAMPLE.fullmatch(line)
                self.assertTrue(told, line)
                allowed = [last]
                if types[last] == "histogram":
                    allowed = [last + part for part in HISTOGRAM]
                self.assertIn(told[1], allowed, "samples follow their TYPE")
                values = " ".join(re.findall(r'"([^"]*)"', told[2])) if told[2] else None
                self.assertNotIn((told[1], values), samples)
                samples[told[1], values] = float(told[3])
        self.assertEqual(set(types), helped)
        for name, kind in types.items():
            self.assertEqual(kind == "counter", name.endswith("_total"), name)
        self.assertNotRegex(text, r"(cap|ana)_[a-z2-7]{20}")
        self.check_histogram(samples, "residuum_analysis_duration_seconds")
        return samples

    def check_histogram(self, samples, name):
        """Buckets are cumulative, their bounds ascend, the last one holds all."""
        buckets = [(float(bound), number) for (of, bound), number in samples.items()
                   if of == name + "_bucket"]
        self.assertGreater(len(buckets), 2)
        self.assertEqual(buckets, sorted(buckets))
        self.assertEqual([n for _, n in buckets], sorted(n for _, n in buckets))
        self.assertEqual(buckets[-1], (float("inf"), samples[name + "_count", None]))
        self.assertGreaterEqual(samples[name + "_sum", None], 0)

    def wait_until(self, condition):
        end = time.monotonic() + harness.PATIENCE_S
        while not condition():
            self.assertLess(time.monotonic(), end)
            time.sleep(0.02)

    def test_every_line_is_of_the_format(self):
        samples = self.read()
        self.assertEqual(samples["residuum_ready", None], 1)
        version = self.daemon.get("/v1/").json["version"]
        self.assertEqual(samples["residuum_build_info", version], 1)

    def test_numbers_follow_what_happens(self):
        before = self.read()
        capture = self.daemon.upload(TONE).json["id"]
        done = self.daemon.wait_for_end(self.daemon.analyse(capture))
        self.assertEqual(done["state"], "done")
        failed = self.daemon.wait_for_end(self.daemon.analyse(capture, {"channels": [9]}))
        self.assertEqual(failed["state"], "failed")
        self.assertEqual(self.daemon.get("/v1/nothing").status, 404)
        after = {}

        def grown(name, label=None):
            return after[name, label] - before[name, label]

        def all_counted():
            after.update(self.read())
            answers = "residuum_http_responses_total"
            return grown(answers, "read 4xx") == 1 and grown(answers, "write 2xx") == 3
        # An answer is counted once it is out, which may be after the client has it.
        self.wait_until(all_counted)
        self.assertEqual(grown("residuum_analyses_ended_total", "done"), 1)
        self.assertEqual(grown("residuum_analyses_ended_total", "failed"), 1)
        self.assertEqual(grown("residuum_analyses_ended_total", "cancelled"), 0)
        self.assertGreaterEqual(grown("residuum_http_responses_total", "read 2xx"), 3)
        self.assertEqual(grown("residuum_uploads_total"), 1)
        self.assertEqual(grown("residuum_upload_bytes_total"), len(TONE))
        self.assertEqual(grown("residuum_analysis_duration_seconds_count"), 1)
        self.assertGreater(grown("residuum_analysis_duration_seconds_sum"), 0)
        self.assertEqual(after["residuum_analyses_oldest_waiting_seconds", None], 0)
        self.assertGreaterEqual(grown("residuum_http_request_body_bytes_total"), len(TONE))
        self.assertEqual(after["residuum_analyses_running", None], 0)
        self.assertEqual(after["residuum_analyses_waiting", None], 0)

    def test_process_is_told_as_the_system_tells_it(self):
        samples = self.read()
        folder = f"/proc/{self.daemon.process.pid}"
        with open(folder + "/statm", encoding="ascii") as statm:
            memory = int(statm.read().split()[1]) * os.sysconf("SC_PAGESIZE")
        self.assertAlmostEqual(
            samples["process_resident_memory_bytes", None], memory, delta=0.2 * memory)
        # one more or less: the connection that asks
        self.assertAlmostEqual(
            samples["process_open_fds", None], len(os.listdir(folder + "/fd")), delta=2)
        self.assertLess(samples["process_open_fds", None], samples["process_max_fds", None])
        self.assertAlmostEqual(samples["process_start_time_seconds", None],
                               os.stat(self.daemon.log_path).st_ctime, delta=60)

    def test_open_connections_are_counted(self):
        with contextlib.ExitStack() as held:
            for _ in range(3):
                held.enter_context(self.daemon.connect())
            self.wait_until(lambda: self.open_connections() == 4)  # one is its own
        self.wait_until(lambda: self.open_connections() == 1)

    def open_connections(self):
        return self.read()["residuum_http_connections_open", None]

    def test_waiting_and_cancelled_are_counted(self):
        daemon = harness.Daemon("--workers", "1")
        try:
            capture = daemon.upload(TONE).json["id"]
            daemon.stop_workers()
            first, second = daemon.analyse(capture), daemon.analyse(capture)
            time.sleep(0.01)  # times are kept in milliseconds
            text = daemon.get("/metrics").body.decode()
            self.assertRegex(text, r"(?m)^residuum_analyses_waiting [12]$")
            self.assertRegex(text, r"(?m)^residuum_analyses_oldest_waiting_seconds (?!0$)\d")
            for analysis in (second, first):
                self.assertEqual(
                    daemon.ask("POST", f"/v1/analyses/{analysis}/cancel").status, 200)
                self.assertEqual(daemon.wait_for_end(analysis)["state"], "cancelled")
            text = daemon.get("/metrics").body.decode()
            self.assertRegex(
                text, r'(?m)^residuum_analyses_ended_total\{state="cancelled"\} 2$')
        finally:
            daemon.stop()


if __name__ == "__main__":
    harness.main()
