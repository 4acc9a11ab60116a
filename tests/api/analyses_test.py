"""Analyses: queueing, states, waiting, refusals, the whole shape of each answer, lists."""

import concurrent.futures
import json
import tempfile
import time
import urllib.parse

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=2, noise_dbfs=-100))
LONG = waves.wav(waves.tone(duration_s=20, channels=4, noise_dbfs=-100))


class Analyses(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json["id"]

    def order(self, **changes):
        return {"capture": self.capture, "measurement": "distortion", **changes}

    def check_analysis(self, analysis):
        self.assertEqual(analysis["links"]["self"], f"/v1/analyses/{analysis['id']}")
        self.assertEqual(analysis["links"]["capture"], f"/v1/captures/{analysis['capture']}")
        times = [analysis[name] for name in ("created", "started", "finished")
                 if name in analysis]
        self.assertEqual(times, sorted(times))

    def test_order_is_acknowledged_and_ends(self):
        answer = self.daemon.post_json("/v1/analyses", self.order(settings={"harmonics": 5}))
        self.assertEqual(answer.status, 202, answer)
        self.check_analysis(answer.json)
        self.assertEqual(answer.headers["location"], answer.json["links"]["self"])
        self.assertRegex(answer.headers["retry-after"], r"^[1-9]\d*$")
        self.assertEqual(answer.json["settings"], {"harmonics": 5})
        self.assertEqual(answer.json["tester"], "local")
        done = self.daemon.wait_for_end(answer.json["id"])
        self.assertEqual(done["state"], "done", done)
        self.check_analysis(done)
        ended = self.daemon.get(done["links"]["self"])
        self.assertNotIn("retry-after", ended.headers)
        self.assertEqual(ended.json, done)

    def test_settings_may_be_left_out(self):
        answer = self.daemon.post_json("/v1/analyses", self.order())
        self.assertEqual(answer.status, 202, answer)
        self.assertEqual(answer.json["settings"], {})

    def test_prefer_wait_on_the_order_gives_the_end(self):
        answer = self.daemon.post_json("/v1/analyses", self.order(), Prefer="wait=30")
        self.assertEqual(answer.status, 200, answer)
        self.assertEqual(answer.json["state"], "done")
        self.assertEqual(answer.headers["preference-applied"].replace(" ", ""), "wait=30")
        self.check_analysis(answer.json)

    def test_wait_is_capped(self):
        # limits.prefer_wait_s; an analysis that has ended answers at once
        path = "/v1/analyses/" + self.daemon.wait_for_end(self.daemon.analyse(self.capture))["id"]
        for wish, applied in (("wait=3000", "wait=30"), ("wait=30", "wait=30"),
                              ("wait=0", "wait=0")):
            with self.subTest(wish):
                answer = self.daemon.get(path, Prefer=wish)
                self.assertEqual(answer.headers["preference-applied"], applied)

    def test_failed_analysis_is_a_finished_one(self):
        silence = self.daemon.upload(waves.wav(0 * waves.tone(duration_s=2))).json["id"]
        not_finite = waves.tone(duration_s=2)
        not_finite[54321, 0] = float("nan")
        broken = self.daemon.upload(waves.float_wav(not_finite)).json["id"]
        for name, capture, settings, codes in (
            ("too short", self.capture, {"start_s": 1.95}, {"not_measurable", "out_of_range"}),
            ("channel 2 of a mono recording", self.capture, {"channels": [2]}, {"out_of_range"}),
            ("not a number", broken, {}, {"not_finite"}),
            ("silence", silence, {}, {"not_measurable", None}),
        ):
            with self.subTest(name):
                analysis = self.daemon.wait_for_end(self.daemon.analyse(capture, settings))
                self.check_analysis(analysis)
                self.assertIn(analysis.get("problem", {}).get("code"), codes)
                if analysis["state"] == "done":
                    continue
                self.assertEqual(analysis["state"], "failed")
                answer = self.daemon.get(f"/v1/analyses/{analysis['id']}")
                self.assertEqual(answer.status, 200)
                result = self.daemon.get(f"/v1/analyses/{analysis['id']}/result")
                problem = self.check_problem(result, 410, "no_result")
                self.assertIn(analysis["problem"]["detail"].rstrip("."), problem["detail"])

    def test_not_finite_names_channel_and_frame(self):
        samples = waves.tone(duration_s=2, channels=2)
        samples[54321, 1] = float("inf")
        capture = self.daemon.upload(waves.float_wav(samples)).json["id"]
        analysis = self.daemon.wait_for_end(self.daemon.analyse(capture))
        self.assertEqual(analysis["problem"]["code"], "not_finite")
        self.assertRegex(analysis["problem"]["detail"], r"(?i)channel 2\b")
        self.assertRegex(analysis["problem"]["detail"], r"\b54321\b")


class Signals(harness.DaemonCase):
    """What was played, as an analysis keeps it: told with the order, else the capture's own."""

    TOLD = {"name": "tone", "parameters": {"frequency_hz": 997}}
    OTHER = {"name": "tone", "parameters": {"bits": 16, "frequency_hz": 1000.5}}

    def upload(self, signal=None, query=""):
        if signal is not None:
            query = "?" + urllib.parse.urlencode({"signal": json.dumps(signal)}) + query
        answer = self.daemon.upload(TONE, query)
        self.assertEqual(answer.status, 201, answer)
        return answer.json

    def order(self, capture, **more):
        order = {"capture": capture, "measurement": "distortion", **more}
        answer = self.daemon.post_json("/v1/analyses", order)
        self.assertEqual(answer.status, 202, answer)
        return answer.json

    def patch(self, capture, signal):
        answer = self.daemon.ask("PATCH", f"/v1/captures/{capture}",
                                 json.dumps({"signal": signal}),
                                 {"Content-Type": "application/json"})
        self.assertEqual(answer.status, 200, answer)

    def check(self, analysis, want):
        """Told alike when ordered, in lists and at the end; the result has all parameters, and
        the settings that are called as one of them have its value."""
        self.assertEqual(analysis["signal"], want)
        listed = self.daemon.get("/v1/analyses?limit=1").json["analyses"]
        self.assertEqual([a["signal"] for a in listed], [want])
        ended = self.daemon.wait_for_end(analysis["id"])
        self.assertEqual(ended["signal"], want)
        self.assertEqual(ended["state"], "done", ended)
        result = self.daemon.get(ended["links"]["result"]).json
        if want is None:
            self.assertIsNone(result["signal"])
            self.assertIsNone(result["settings"]["frequency_hz"])
            return
        described = self.daemon.get(f"/v1/signals/{want['name']}").json["parameters"]
        parameters = {p["name"]: p["default"] for p in described} | want["parameters"]
        self.assertEqual(result["signal"], {"name": want["name"], "parameters": parameters})
        self.assertEqual(result["settings"]["frequency_hz"], parameters["frequency_hz"])

    def test_left_out_or_null_it_is_the_captures(self):
        for of_capture in (None, self.TOLD):
            capture = self.upload(of_capture)["id"]
            for more in ({}, {"signal": None}):
                with self.subTest(f"{of_capture}, {more}"):
                    self.check(self.order(capture, **more), of_capture)

    def test_told_it_takes_the_captures_place(self):
        for of_capture in (None, self.TOLD):
            with self.subTest(of_capture):
                capture = self.upload(of_capture)["id"]
                self.check(self.order(capture, signal=self.OTHER), self.OTHER)
                kept = self.daemon.get(f"/v1/captures/{capture}").json
                self.assertEqual(kept["signal"], of_capture)

    def test_a_setting_that_is_given_is_not_the_signals(self):
        capture = self.upload(self.OTHER)["id"]
        analysis = self.order(capture, settings={"frequency_hz": 997})
        ended = self.daemon.wait_for_end(analysis["id"])
        result = self.daemon.get(ended["links"]["result"]).json
        self.assertEqual(result["settings"]["frequency_hz"], 997)
        self.assertEqual(result["signal"]["parameters"]["frequency_hz"], 1000.5)

    def test_parameters_may_be_left_out(self):
        capture = self.upload()["id"]
        self.check(self.order(capture, signal={"name": "tone"}),
                   {"name": "tone", "parameters": {}})

    def test_ordered_with_the_upload_it_is_the_uploads(self):
        for signal in (None, self.TOLD):
            with self.subTest(signal):
                query = "measure=distortion"
                capture = self.upload(signal, ("?" if signal is None else "&") + query)
                self.check(capture["analyses"][0], signal)

    def test_later_changes_of_the_capture_are_not_taken_over(self):
        capture = self.upload(self.TOLD)["id"]
        self.daemon.looked_at(capture)
        with self.daemon.workers_halted():
            waiting = self.order(capture)
            self.patch(capture, self.OTHER)
            after = self.order(capture)
            self.patch(capture, None)
            last = self.order(capture)
        for analysis, want in ((waiting, self.TOLD), (after, self.OTHER), (last, None)):
            with self.subTest(want):
                ended = self.daemon.wait_for_end(analysis["id"])
                self.assertEqual(ended["state"], "done", ended)
                self.assertEqual([analysis["signal"], ended["signal"]], [want, want])

    def test_it_outlives_the_daemon(self):
        with tempfile.TemporaryDirectory() as folder:
            first = harness.Daemon(state=folder)
            capture = first.upload(TONE).json["id"]
            first.looked_at(capture)
            first.stop_workers()
            order = {"capture": capture, "measurement": "distortion", "signal": self.OTHER}
            analysis = first.post_json("/v1/analyses", order).json["id"]
            first.kill()
            second = harness.Daemon(state=folder)
            ended = second.wait_for_end(analysis)
            self.assertEqual(ended["state"], "done", ended)
            self.assertEqual(ended["signal"], self.OTHER)
            second.stop()

    def test_what_is_wrong_is_named(self):
        capture = self.upload()["id"]
        for signal, code, field in (
            ([], "out_of_range", "signal"), ("tone", "out_of_range", "signal"),
            ({}, "missing_field", "name"), ({"name": 5}, "out_of_range", "signal"),
            ({"name": "tune"}, "out_of_range", "signal"),
            ({"name": "tone", "parameters": []}, "out_of_range", "signal"),
            ({"name": "tone", "level": 1}, "unknown_field", "level"),
            ({"name": "tone", "parameters": {"frequenzy_hz": 1}}, "unknown_field",
             "frequenzy_hz"),
            ({"name": "tone", "parameters": {"bits": 20}}, "out_of_range", "bits"),
        ):
            with self.subTest(signal):
                order = {"capture": capture, "measurement": "distortion", "signal": signal}
                problem = self.check_problem(self.daemon.post_json("/v1/analyses", order), 422,
                                             code, field)
                self.assertIn("signal", problem["detail"])
        listed = self.daemon.get(f"/v1/analyses?capture={capture}").json["analyses"]
        self.assertEqual(listed, [])

    def test_a_key_tells_orders_of_other_signals_apart(self):
        capture = self.upload()["id"]
        order = {"capture": capture, "measurement": "distortion", "signal": self.TOLD}
        first = self.daemon.post_json("/v1/analyses", order, Idempotency_Key="signal")
        again = self.daemon.post_json("/v1/analyses", order, Idempotency_Key="signal")
        self.assertEqual(first.json["id"], again.json["id"])
        order["signal"] = self.OTHER
        self.check_problem(
            self.daemon.post_json("/v1/analyses", order, Idempotency_Key="signal"), 422,
            "key_reused", "Idempotency-Key")


class BadOrders(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json["id"]

    def tearDown(self):
        super().tearDown()
        self.assertEqual(self.daemon.get("/v1/analyses").json["analyses"], [])

    def refused(self, order, status, code, field=None):
        answer = self.daemon.post_json("/v1/analyses", order)
        return self.check_problem(answer, status, code, field)

    def test_bodies_that_are_no_json_object(self):
        good = json.dumps({"capture": self.capture, "measurement": "distortion"})
        deep = '{"settings":' + '{"a":' * 40 + "1" + "}" * 41
        for body in ("", "{", "[]", "1", "null", '"text"', good + "x", good[:-1],
                     good[:-1] + ',"capture":"twice"}', '{"capture":NaN}', deep,
                     good.encode()[:-1] + b',"name":"\xff"}', "\0" + good,
                     "capture=cap_a&measurement=distortion"):
            with self.subTest(body[:60]):
                self.refused(body, 400, "bad_json")

    def test_body_over_the_limit(self):
        body = '{"capture":"' + "x" * (256 * 1024) + '"}'
        answer = self.daemon.post_json("/v1/analyses", body)
        self.check_problem(answer, 413, "too_large", limit_bytes=256 * 1024)

    def test_unknown_fields(self):
        order = {"capture": self.capture, "measurement": "distortion"}
        self.refused({**order, "setting": {}}, 422, "unknown_field", "setting")
        self.refused({**order, "floor_captur": self.capture}, 422, "unknown_field",
                     "floor_captur")

    def test_misspelt_setting_names_the_right_one(self):
        order = {"capture": self.capture, "measurement": "distortion",
                 "settings": {"frequenzy_hz": 997}}
        problem = self.refused(order, 422, "unknown_field", "frequenzy_hz")
        self.assertIn("frequency_hz", problem["detail"])

    def test_missing_fields(self):
        self.refused({"measurement": "distortion"}, 422, "missing_field", "capture")
        self.refused({"capture": self.capture}, 422, "missing_field", "measurement")
        self.refused({}, 422, "missing_field", "capture")

    def test_unknown_capture_and_measurement(self):
        for capture in ("cap_aaaaaaaaaaaaaaaaaaaa", "cap_", "../../lock", ""):
            with self.subTest(capture):
                self.refused({"capture": capture, "measurement": "distortion"}, 404,
                             "not_found", "capture")
                self.refused({"capture": self.capture, "measurement": "distortion",
                              "floor_capture": capture}, 404, "not_found", "floor_capture")
        problem = self.refused({"capture": self.capture, "measurement": "distorsion"}, 422,
                               "out_of_range", "measurement")
        self.assertIn("distortion", problem["detail"])

    def test_wrong_types(self):
        for field, value in (("capture", 5), ("capture", None), ("measurement", ["distortion"]),
                             ("settings", []), ("settings", "none"),
                             ("floor_capture", 5), ("floor_capture", None),
                             ("floor_capture", [self.capture])):
            with self.subTest(f"{field}={value!r}"):
                order = {"capture": self.capture, "measurement": "distortion", field: value}
                self.refused(order, 422, "out_of_range", field)

    def test_settings_out_of_range_name_field_and_limits(self):
        for field, value in (("frequency_hz", -1), ("frequency_hz", "loud"),
                             ("harmonics", 1), ("harmonics", 2.5), ("harmonics", 1000000),
                             ("channels", []), ("channels", [0]), ("channels", [17]),
                             ("channels", [1, 1]), ("start_s", -0.001), ("start_s", 14401),
                             ("duration_s", 0), ("band_hz", [20000, 20]), ("band_hz", [20]),
                             ("band_hz", "wide"), ("notch", "narrow")):
            with self.subTest(f"{field}={value!r}"):
                order = {"capture": self.capture, "measurement": "distortion",
                         "settings": {field: value}}
                problem = self.refused(order, 422, "out_of_range", field)
                self.assertGreater(len(problem["detail"]), 20)


class Waiting(harness.DaemonCase):
    OPTIONS = ("--workers", "1")

    def test_states_in_order_positions_and_waits(self):
        capture = self.daemon.upload(TONE).json["id"]
        with self.daemon.workers_halted():
            ids = [self.daemon.analyse(capture) for _ in range(4)]
            first = self.daemon.get(f"/v1/analyses/{ids[0]}")
            self.assertIn(first.json["state"], ("queued", "running"))
            last = self.daemon.get(f"/v1/analyses/{ids[-1]}")
            self.assertEqual(last.json["state"], "queued")
            self.assertIn(last.json["position"], (1, 2, 3, 4))
            self.assertRegex(last.headers["retry-after"], r"^[1-9]\d*$")
            not_ready = self.daemon.get(f"/v1/analyses/{ids[-1]}/result")
            self.check_problem(not_ready, 404, "not_ready")
            self.assertRegex(not_ready.headers["retry-after"], r"^[1-9]\d*$")
            series = self.daemon.get(
                f"/v1/analyses/{ids[-1]}/result/series/spectrum?channel=1")
            self.check_problem(series, 404, "not_ready")
            queue = self.daemon.get("/v1/health").json["queue"]
            self.assertEqual(queue["waiting"] + queue["running"], 4)

        ended = [self.daemon.wait_for_end(i) for i in ids]
        self.assertEqual([a["state"] for a in ended], ["done"] * 4)
        finished = [a["finished"] for a in ended]
        self.assertEqual(finished, sorted(finished), "one tester's jobs run oldest first")

    def test_wait_returns_at_its_time_while_the_job_goes_on(self):
        capture = self.daemon.upload(TONE).json["id"]
        with self.daemon.workers_halted():
            analysis = self.daemon.analyse(capture)
            began = time.monotonic()
            answer = self.daemon.get(f"/v1/analyses/{analysis}", Prefer="wait=1")
            took = time.monotonic() - began
        self.assertEqual(answer.status, 200)
        self.assertIn(answer.json["state"], ("queued", "running"))
        self.assertGreater(took, 0.9)
        self.assertLess(took, 10)
        self.assertEqual(answer.headers["preference-applied"].replace(" ", ""), "wait=1")
        self.assertEqual(self.daemon.wait_for_end(analysis)["state"], "done")

    def test_many_wait_for_one_end(self):
        capture = self.daemon.upload(LONG).json["id"]
        analysis = self.daemon.analyse(capture)
        with concurrent.futures.ThreadPoolExecutor(40) as pool:
            answers = list(pool.map(
                lambda _: self.daemon.get(f"/v1/analyses/{analysis}", Prefer="wait=30"),
                range(40)))
        self.assertEqual({a.json["state"] for a in answers}, {"done"})

    def test_waiter_that_leaves_harms_nobody(self):
        capture = self.daemon.upload(LONG).json["id"]
        analysis = self.daemon.analyse(capture)
        for _ in range(20):
            with self.daemon.connect() as raw:
                raw.sendall(f"GET /v1/analyses/{analysis} HTTP/1.1\r\nHost: localhost\r\n"
                            "Prefer: wait=30\r\n\r\n".encode())
        self.assertEqual(self.daemon.wait_for_end(analysis)["state"], "done")

    def test_preferences_that_are_none_are_ignored(self):
        # RFC 7240, section 2: a preference that is not understood is ignored
        capture = self.daemon.upload(TONE).json["id"]
        analysis = self.daemon.analyse(capture)
        for value in ("wait", "wait=soon", "wait=-1", "respond-async", "return=minimal"):
            with self.subTest(value):
                answer = self.daemon.get(f"/v1/analyses/{analysis}", Prefer=value)
                self.assertEqual(answer.status, 200)
                self.assertNotIn("preference-applied", answer.headers)
        self.daemon.wait_for_end(analysis)  # not left to the next test


class Lists(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.captures = [cls.daemon.upload(TONE).json["id"] for _ in range(2)]
        cls.ids = [cls.daemon.analyse(cls.captures[i % 2]) for i in range(5)]
        cls.ids.append(cls.daemon.analyse(cls.captures[0], {"channels": [2]}))
        for analysis in cls.ids:
            cls.daemon.wait_for_end(analysis)

    def listed(self, query=""):
        answer = self.daemon.get("/v1/analyses" + query)
        self.assertEqual(answer.status, 200, answer)
        return [a["id"] for a in answer.json["analyses"]]

    def test_newest_first(self):
        self.assertEqual(self.listed(), self.ids[::-1])

    def test_filters(self):
        self.assertEqual(self.listed(f"?capture={self.captures[1]}"), self.ids[1:5:2][::-1])
        self.assertEqual(self.listed("?state=failed"), self.ids[5:])
        self.assertEqual(self.listed("?state=done"), self.ids[:5][::-1])
        self.assertEqual(self.listed("?state=queued"), [])
        self.assertEqual(self.listed("?measurement=distortion"), self.ids[::-1])
        self.assertEqual(
            self.listed(f"?measurement=distortion&state=done&capture={self.captures[0]}"),
            self.ids[0:5:2][::-1])

    def test_pages_keep_their_filters(self):
        path, got = f"/v1/analyses?limit=1&state=done&capture={self.captures[0]}", []
        while path:
            page = self.daemon.get(path).json
            got += [a["id"] for a in page["analyses"]]
            path = page["links"].get("next")
        self.assertEqual(got, self.ids[0:5:2][::-1])

    def test_bad_filters_are_refused(self):
        for query, code, field in (("state=finished", "out_of_range", "state"),
                                   ("limit=0", "out_of_range", "limit"),
                                   ("cursor=x", "out_of_range", "cursor"),
                                   ("device=dev_a", "unknown_field", "device")):
            with self.subTest(query):
                self.check_problem(self.daemon.get("/v1/analyses?" + query), 422, code, field)


if __name__ == "__main__":
    harness.main()
