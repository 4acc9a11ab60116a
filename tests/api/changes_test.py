"""What a tester changes and removes: PATCH and DELETE of captures, DELETE of analyses, and what
refuses them."""

import concurrent.futures
import hashlib
import http.client
import json
import os
import pathlib
import random
import shutil
import signal
import tempfile
import time
import unittest
import urllib.parse

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5, channels=2))
OTHER = waves.wav(waves.tone(duration_s=0.6, channels=2))


def object_path(body):
    digest = hashlib.sha256(body).hexdigest()
    return f"objects/{digest[:2]}/{digest}"


class Case(harness.DaemonCase):
    def upload(self, body=TONE, query=""):
        answer = self.daemon.upload(body, query)
        self.assertEqual(answer.status, 201, answer)
        return self.daemon.looked_at(answer.json["id"])

    def patch(self, capture_id, change):
        body = change if isinstance(change, (bytes, str)) else json.dumps(change)
        return self.daemon.ask("PATCH", f"/v1/captures/{capture_id}", body,
                               {"Content-Type": "application/merge-patch+json"})

    def delete(self, path):
        answer = self.daemon.ask("DELETE", path)
        if answer.status == 204:
            self.assertEqual(answer.body, b"")
            self.assertNotIn("content-type", answer.headers)
        return answer

    def removed(self, path):
        answer = self.delete(path)
        self.assertEqual(answer.status, 204, answer)
        self.check_problem(self.daemon.get(path), 404, "not_found")
        self.check_problem(self.delete(path), 404, "not_found")


class Changes(Case):
    def test_members_left_out_stay(self):
        capture = self.upload(query="?name=take+1&note=desk+3")
        for change in ({}, {"name": "unit B"}, {"note": "two\nlines"}, {"pinned": True},
                       {"name": "", "note": "", "pinned": False},
                       {"name": 'Lesetisch „Drei“ & "4" <b>', "pinned": True}):
            with self.subTest(change):
                answer = self.patch(capture["id"], change)
                self.assertEqual(answer.status, 200, answer)
                self.assertEqual(answer.json, {**capture, **change})
                capture = answer.json
                self.assertEqual(self.daemon.get(capture["links"]["self"]).json, capture)
                listed = self.daemon.get("/v1/captures?limit=1").json["captures"]
                self.assertEqual(listed, [harness.listed(capture)])

    def test_what_is_wrong_is_named_and_nothing_changes(self):
        capture = self.upload(query="?name=take+1")
        for change, code, field in (
            ({"title": "x"}, "unknown_field", "title"),
            ({"name": "x", "sha256": "0"}, "unknown_field", "sha256"),
            ({"name": None}, "out_of_range", "name"),
            ({"note": 5}, "out_of_range", "note"),
            ({"name": ["x"]}, "out_of_range", "name"),
            ({"name": "n" * 201}, "out_of_range", "name"),
            ({"note": "n" * 2001}, "out_of_range", "note"),
            ({"name": "two\nlines"}, "out_of_range", "name"),
            ({"name": "x", "pinned": None}, "out_of_range", "pinned"),
            ({"name": "x", "pinned": 1}, "out_of_range", "pinned"),
            ({"pinned": "true"}, "out_of_range", "pinned"),
        ):
            with self.subTest(str(change)[:40]):
                self.check_problem(self.patch(capture["id"], change), 422, code, field)
        for body in ("", "[]", "null", '{"name":"x"', '{"name":"a","name":"b"}'):
            with self.subTest(body):
                self.check_problem(self.patch(capture["id"], body), 400, "bad_json")
        self.assertEqual(self.daemon.get(capture["links"]["self"]).json, capture)

    def test_limits_are_still_taken(self):
        capture = self.upload()
        change = {"name": "n" * 200, "note": "n" * 2000}
        self.assertEqual(self.patch(capture["id"], change).json, {**capture, **change})

    def test_unknown_captures_and_paths(self):
        for capture_id in ("cap_aaaaaaaaaaaaaaaaaaaa", "cap_", "x" * 300):
            with self.subTest(capture_id[:30]):
                self.check_problem(self.patch(capture_id, {}), 404, "not_found")
                self.check_problem(self.delete(f"/v1/captures/{capture_id}"), 404, "not_found")
                self.check_problem(self.delete(f"/v1/analyses/{capture_id}"), 404, "not_found")
        capture = self.upload()
        for method, path, allowed in (
            ("PUT", f"/v1/captures/{capture['id']}", "GET, HEAD, PATCH, DELETE, OPTIONS"),
            ("DELETE", "/v1/captures", "GET, HEAD, POST, OPTIONS"),
            ("PATCH", "/v1/analyses/ana_aaaaaaaaaaaaaaaaaaaa", "GET, HEAD, DELETE, OPTIONS"),
        ):
            with self.subTest(method):
                answer = self.daemon.ask(method, path, "{}")
                self.check_problem(answer, 405, "wrong_method", allowed=allowed)
                self.assertEqual(answer.headers["allow"], allowed)

    def test_a_foreign_page_may_not(self):
        capture = self.upload()
        foreign = {"Origin": "http://elsewhere.invalid"}
        for method, path in (("PATCH", capture["links"]["self"]),
                             ("DELETE", capture["links"]["self"]),
                             ("POST", "/v1/analyses/ana_aaaaaaaaaaaaaaaaaaaa/cancel"),
                             ("DELETE", "/v1/analyses/ana_aaaaaaaaaaaaaaaaaaaa")):
            with self.subTest(method + path):
                self.check_problem(self.daemon.ask(method, path, None, foreign), 403,
                                   "forbidden", "Origin")
        self.assertEqual(self.daemon.get(capture["links"]["self"]).status, 200)

    def test_a_change_outlasts_a_kill(self):
        daemon = harness.Daemon()
        daemon.own_state = False
        capture = daemon.looked_at(daemon.upload(TONE).json["id"])
        path = capture["links"]["self"]
        gone = daemon.upload(OTHER).json["links"]["self"]
        self.assertEqual(daemon.ask("PATCH", path, '{"note":"kept","pinned":true}').status, 200)
        self.assertEqual(daemon.ask("DELETE", gone).status, 204)
        daemon.kill()
        daemon = harness.Daemon(state=daemon.state)
        daemon.own_state = True
        self.assertEqual(daemon.get(path).json, {**capture, "note": "kept", "pinned": True})
        self.assertEqual(daemon.get(gone).status, 404)
        self.assertEqual(daemon.files("orphans"), [])
        daemon.stop()


class Removals(Case):
    OPTIONS = ("--workers", "1")

    def test_capture_goes_with_analyses_results_and_bytes(self):
        body = waves.wav(waves.tone(duration_s=2, noise_dbfs=-100))
        capture = self.upload(body)
        done = self.daemon.wait_for_end(self.daemon.analyse(capture["id"]))
        failed = self.daemon.wait_for_end(self.daemon.analyse(capture["id"], {"channels": [2]}))
        self.assertEqual((done["state"], failed["state"]), ("done", "failed"))
        self.assertIn(f"results/{done['id']}", self.daemon.files("results"))
        self.assertIn(object_path(body), self.daemon.files("objects"))
        for analysis in (done, failed):  # polls are then answered from memory
            self.assertEqual(self.daemon.get(analysis["links"]["self"]).json, analysis)
        self.removed(capture["links"]["self"])
        for analysis in (done, failed):
            for path in ("", "/result", "/result/series/spectrum?channel=1"):
                answer = self.daemon.get(f"/v1/analyses/{analysis['id']}{path}")
                self.check_problem(answer, 404, "not_found")
        self.check_problem(self.daemon.get(capture["links"]["audio"]), 404, "not_found")
        self.assertEqual(self.daemon.get(capture["links"]["analyses"]).json["analyses"], [])
        self.assertNotIn(f"results/{done['id']}", self.daemon.files("results"))
        self.assertNotIn(object_path(body), self.daemon.files("objects"))
        order = {"capture": capture["id"], "measurement": "distortion"}
        self.check_problem(self.daemon.post_json("/v1/analyses", order), 404, "not_found",
                           "capture")

    def test_bytes_stay_while_another_capture_has_them(self):
        first, second = self.upload(OTHER), self.upload(OTHER)
        self.removed(first["links"]["self"])
        self.assertEqual(self.daemon.get(second["links"]["audio"]).body, OTHER)
        self.removed(second["links"]["self"])
        self.assertNotIn(object_path(OTHER), self.daemon.files("objects"))
        third = self.upload(OTHER)
        self.assertEqual(self.daemon.get(third["links"]["audio"]).body, OTHER)

    def test_pinned_stays(self):
        capture = self.upload()
        self.patch(capture["id"], {"pinned": True})
        problem = self.check_problem(self.delete(capture["links"]["self"]), 409, "conflict",
                                     "pinned")
        self.assertIn('{"pinned":false}', problem["detail"])
        self.assertEqual(self.daemon.get(capture["links"]["audio"]).body, TONE)
        self.patch(capture["id"], {"pinned": False})
        self.removed(capture["links"]["self"])

    def test_stays_while_an_analysis_has_not_ended(self):
        capture = self.upload()
        with self.daemon.workers_halted():
            running, queued = (self.daemon.analyse(capture["id"]) for _ in range(2))
            problem = self.check_problem(self.delete(capture["links"]["self"]), 409, "conflict")
            self.assertRegex(problem["detail"], f"{running}|{queued}")
            self.assertIn("/cancel", problem["detail"])
            for analysis in (running, queued):
                self.check_problem(self.delete(f"/v1/analyses/{analysis}"), 409, "conflict")
            for analysis in (queued, running):
                self.daemon.ask("POST", f"/v1/analyses/{analysis}/cancel")
                self.daemon.wait_for_end(analysis)
        self.removed(capture["links"]["self"])

    def test_stays_while_it_is_the_floor_of_another(self):
        take, floor = self.upload(TONE), self.upload(OTHER)
        order = {"capture": take["id"], "measurement": "distortion", "floor_capture": floor["id"]}
        analysis = self.daemon.post_json("/v1/analyses", order).json["id"]
        self.daemon.wait_for_end(analysis)
        problem = self.check_problem(self.delete(floor["links"]["self"]), 409, "conflict")
        self.assertIn(analysis, problem["detail"])
        self.assertIn(take["id"], problem["detail"])
        self.removed(f"/v1/analyses/{analysis}")
        self.removed(floor["links"]["self"])
        self.assertEqual(self.daemon.get(take["links"]["self"]).status, 200)

    def test_its_own_floor_goes_with_it(self):
        take = self.upload(TONE)
        order = {"capture": take["id"], "measurement": "distortion", "floor_capture": take["id"]}
        self.daemon.wait_for_end(self.daemon.post_json("/v1/analyses", order).json["id"])
        self.removed(take["links"]["self"])

    def test_analysis_goes_with_its_result_alone(self):
        capture = self.upload()
        first, second = (self.daemon.analyse(capture["id"]) for _ in range(2))
        for analysis in (first, second):
            self.assertEqual(self.daemon.wait_for_end(analysis)["state"], "done")
        for _ in range(2):
            self.assertEqual(self.daemon.get(f"/v1/analyses/{first}").status, 200)
        self.removed(f"/v1/analyses/{first}")
        self.check_problem(self.daemon.get(f"/v1/analyses/{first}"), 404, "not_found")
        self.check_problem(self.daemon.get(f"/v1/analyses/{first}/result"), 404, "not_found")
        self.assertNotIn(f"results/{first}", self.daemon.files("results"))
        self.assertEqual(self.daemon.get(f"/v1/analyses/{second}/result").status, 200)
        self.assertEqual(self.daemon.get(capture["links"]["self"]).status, 200)

    def test_same_bytes_uploaded_and_removed_at_once(self):
        """A capture that was acknowledged keeps its bytes, whoever removes the same ones."""
        body = waves.wav(waves.tone(731, duration_s=0.5))
        seed = 20261125
        print(f"seed {seed}")

        def come_and_go(number):
            choice, kept = random.Random(seed + number), []
            for _ in range(25):
                capture = self.daemon.upload(body).json
                if choice.random() < 0.7:
                    assert self.daemon.ask("DELETE", capture["links"]["self"]).status == 204
                else:
                    kept.append(capture)
                    audio = self.daemon.get(capture["links"]["audio"])
                    assert (audio.status, audio.body) == (200, body), audio
                    if choice.random() < 0.9:
                        kept.pop()
                        path = capture["links"]["self"]
                        assert self.daemon.ask("DELETE", path).status == 204
            return kept

        with concurrent.futures.ThreadPoolExecutor(6) as pool:
            kept = [c for some in pool.map(come_and_go, range(6)) for c in some]
        for capture in kept:
            self.assertEqual(self.daemon.get(capture["links"]["audio"]).body, body)
            self.assertEqual(self.delete(capture["links"]["self"]).status, 204)
        self.assertNotIn(object_path(body), self.daemon.files("objects"))


class Pages(Case):
    """A list read page by page stays right while items come and go."""

    def walk(self, path, between):
        seen = []
        while path:
            page = self.daemon.get(path).json
            name = "captures" if "captures" in page else "analyses"
            seen += [item["id"] for item in page[name]]
            path = page["links"].get("next")
            between()
        return seen

    def test_captures(self):
        ids = [self.upload(query=f"?name=take+{i}")["id"] for i in range(12)]
        gone, late = [ids[10], ids[5], ids[1]], []

        def between():
            late.append(self.upload(query="?name=late")["id"])
            if gone:
                self.assertEqual(self.delete(f"/v1/captures/{gone.pop(0)}").status, 204)

        seen = self.walk("/v1/captures?limit=3", between)
        # 10 went after its page, 5 and 1 before theirs
        self.assertEqual([i for i in seen if i in ids],
                         [ids[i] for i in (11, 10, 9, 8, 7, 6, 4, 3, 2, 0)])
        self.assertEqual(len(seen), len(set(seen)))
        self.assertFalse(set(late) & set(seen))

    def test_analyses_keep_their_filters(self):
        capture, other = self.upload(), self.upload(OTHER)
        ids = []
        for i in range(6):
            ids.append(self.daemon.analyse(capture["id"]))
            self.daemon.wait_for_end(self.daemon.analyse(other["id"]))
            self.daemon.wait_for_end(ids[-1])

        gone = [ids[5], ids[1]]

        def between():
            self.daemon.wait_for_end(self.daemon.analyse(capture["id"]))
            if gone:
                self.assertEqual(self.delete(f"/v1/analyses/{gone.pop(0)}").status, 204)

        seen = self.walk(
            f"/v1/analyses?limit=2&state=done&measurement=distortion&capture={capture['id']}",
            between)
        self.assertEqual(seen, [ids[i] for i in (5, 4, 3, 2, 0)])

    def test_next_link_keeps_the_filters(self):
        for i in range(3):
            self.upload(query="?" + urllib.parse.urlencode({"name": f"take {i}"}))
        page = self.daemon.get("/v1/captures?tester=local&limit=1").json
        query = urllib.parse.parse_qs(urllib.parse.urlparse(page["links"]["next"]).query)
        self.assertEqual((query["tester"], query["limit"]), (["local"], ["1"]))
        self.assertEqual(list(query), ["tester", "limit", "cursor"])


class Killed(unittest.TestCase):
    """Killed in the middle of removals: a row has its files, and a file its row."""

    def test_rows_and_files_agree_after_the_next_start(self):
        state = tempfile.mkdtemp(prefix="residuum-state-")
        self.addCleanup(shutil.rmtree, state, ignore_errors=True)
        bodies = [waves.wav(waves.tone(500 + i, duration_s=0.5)) for i in range(12)]
        for delay_s in (0.001, 0.005, 0.02, 0.04):
            daemon = harness.Daemon(state=state)
            paths = []
            for body in bodies:
                capture = daemon.upload(body).json
                daemon.wait_for_end(daemon.analyse(capture["id"]))
                paths.append(capture["links"]["self"])
            acknowledged = []

            def remove(path):
                try:
                    if daemon.ask("DELETE", path).status == 204:
                        acknowledged.append(path)
                except (OSError, http.client.HTTPException):
                    pass

            with concurrent.futures.ThreadPoolExecutor(3) as pool:
                done = [pool.submit(remove, path) for path in paths]
                time.sleep(delay_s)
                os.kill(daemon.process.pid, signal.SIGKILL)
                concurrent.futures.wait(done)
            daemon.kill()
            daemon = harness.Daemon(state=state)
            for path in acknowledged:
                self.assertEqual(daemon.get(path).status, 404)
            captures = daemon.get("/v1/captures?limit=200").json["captures"]
            for capture in captures:
                self.assertEqual(daemon.get(capture["links"]["audio"]).status, 200)
            self.assertEqual({pathlib.Path(name).name for name in daemon.files("objects")},
                             {capture["sha256"] for capture in captures})
            analyses = daemon.get("/v1/analyses?limit=200").json["analyses"]
            self.assertEqual({pathlib.Path(name).name for name in daemon.files("results")},
                             {analysis["id"] for analysis in analyses})
            print(f"killed after {delay_s} s: {len(acknowledged)} of {len(paths)} removed,"
                  f" {len(daemon.files('orphans'))} orphans so far")
            daemon.stop()


if __name__ == "__main__":
    harness.main()
