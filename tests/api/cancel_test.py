"""Cancelling an analysis, whatever it is at."""

import concurrent.futures
import time

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5, channels=2))
LONG = waves.wav(waves.tone(duration_s=120, channels=4, noise_dbfs=-100))


class Cancel(harness.DaemonCase):
    OPTIONS = ("--workers", "1")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.short = cls.daemon.upload(TONE).json["id"]
        cls.long = cls.daemon.upload(LONG).json["id"]

    def cancel(self, analysis, body=None, **headers):
        return self.daemon.ask("POST", f"/v1/analyses/{analysis}/cancel", body, headers)

    def cancelled(self, analysis, body=None):
        answer = self.cancel(analysis, body)
        self.assertEqual(answer.status, 200, answer)
        self.assertEqual(answer.json["state"], "cancelled", answer)
        self.assertEqual(answer.json["id"], analysis)
        again = self.daemon.get(f"/v1/analyses/{analysis}")
        self.assertEqual(again.json, answer.json)
        return answer.json

    def wait_until_running(self, analysis):
        end = time.monotonic() + harness.PATIENCE_S
        while (self.daemon.get(f"/v1/analyses/{analysis}").json["state"] != "running"
               or self.daemon.get("/v1/health").json["workers"]["busy"] == 0):
            self.assertLess(time.monotonic(), end)
            time.sleep(0.01)

    def test_queued_and_running_ones(self):
        with self.daemon.workers_halted():
            running, queued, last = (self.daemon.analyse(self.short) for _ in range(3))
            self.wait_until_running(running)
            self.assertNotIn("started", self.cancelled(queued))
            workers = set(self.daemon.worker_pids())
            self.assertIn("started", self.cancelled(running, "{}"))
        self.assertEqual(self.daemon.wait_for_end(last)["state"], "done")
        self.assertTrue(workers - set(self.daemon.worker_pids()), "its worker was killed")
        for analysis in (running, queued):
            for path in ("/result", "/result/series/spectrum?channel=1"):
                answer = self.daemon.get(f"/v1/analyses/{analysis}{path}")
                problem = self.check_problem(answer, 410, "no_result")
                self.assertIn("cancelled", problem["detail"])
        listed = self.daemon.get("/v1/analyses?state=cancelled").json["analyses"]
        self.assertLessEqual({running, queued}, {a["id"] for a in listed})
        for name in self.daemon.files("results"):
            self.assertNotIn(running, name)
            self.assertNotIn(queued, name)
        self.assertNotIn("died", self.daemon.log())

    def test_again_and_after_the_end_changes_nothing(self):
        done = self.daemon.wait_for_end(self.daemon.analyse(self.short))
        failed = self.daemon.wait_for_end(self.daemon.analyse(self.short, {"channels": [9]}))
        for ended in (done, failed):
            answer = self.cancel(ended["id"])
            self.assertEqual((answer.status, answer.json), (200, ended))
        self.assertEqual(self.daemon.get(done["links"]["result"]).status, 200)
        with self.daemon.workers_halted():
            running, queued = self.daemon.analyse(self.short), self.daemon.analyse(self.short)
            first = self.cancelled(queued)
            self.assertEqual(self.cancelled(queued), first)
            self.cancelled(running)

    def test_waiters_wake(self):
        with (self.daemon.workers_halted(),
              concurrent.futures.ThreadPoolExecutor(6) as pool):
            running, queued = self.daemon.analyse(self.short), self.daemon.analyse(self.short)
            self.wait_until_running(running)
            began = time.monotonic()
            answers = [pool.submit(self.daemon.get, f"/v1/analyses/{analysis}", Prefer="wait=30")
                       for analysis in (running, queued) * 3]
            time.sleep(0.3)
            self.cancelled(queued)
            self.cancelled(running)
            states = {answer.result().json["state"] for answer in answers}
        self.assertEqual(states, {"cancelled"})
        self.assertLess(time.monotonic() - began, 25)

    def test_many_cancel_at_once(self):
        # Once the first is cancelled, another worker begins with the next.
        with (self.daemon.workers_halted(),
              concurrent.futures.ThreadPoolExecutor(16) as pool):
            ids = [self.daemon.analyse(self.long) for _ in range(8)]
            answers = list(pool.map(self.cancel, ids * 3))
        self.assertEqual({(a.status, a.json["state"]) for a in answers}, {(200, "cancelled")})

    def test_what_it_takes(self):
        done = self.daemon.wait_for_end(self.daemon.analyse(self.short))
        for body in ("{}", " {} ", None, ""):
            with self.subTest(body):
                self.assertEqual(self.cancel(done["id"], body).json, done)
        self.check_problem(self.cancel(done["id"], '{"force":true}'), 422, "unknown_field",
                           "force")
        for body in ("[]", "{", "now"):
            with self.subTest(body):
                self.check_problem(self.cancel(done["id"], body), 400, "bad_json")
        for analysis in ("ana_aaaaaaaaaaaaaaaaaaaa", "ana_", "x" * 300):
            with self.subTest(analysis[:30]):
                self.check_problem(self.cancel(analysis), 404, "not_found")
        answer = self.daemon.get(f"/v1/analyses/{done['id']}/cancel")
        self.check_problem(answer, 405, "wrong_method", allowed="POST, OPTIONS")

    def test_it_outlasts_a_kill(self):
        daemon = harness.Daemon("--workers", "1")
        daemon.own_state = False
        capture = daemon.upload(LONG).json["id"]
        daemon.stop_workers()
        running, queued = daemon.analyse(capture), daemon.analyse(capture)
        for analysis in (queued, running):
            answer = daemon.ask("POST", f"/v1/analyses/{analysis}/cancel")
            self.assertEqual(answer.json["state"], "cancelled", answer)
        daemon.kill()
        daemon = harness.Daemon(state=daemon.state)
        daemon.own_state = True
        for analysis in (queued, running):
            self.assertEqual(daemon.get(f"/v1/analyses/{analysis}").json["state"], "cancelled")
        self.assertEqual(daemon.get("/v1/health").json["queue"], {"waiting": 0, "running": 0})
        daemon.stop()


if __name__ == "__main__":
    harness.main()
