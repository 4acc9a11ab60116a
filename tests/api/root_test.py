"""The resources that need no recording: root, health, measurements, signals; and what holds
for every resource: methods, HEAD, OPTIONS, unknown paths and parameters, headers."""

import io
import re
import wave

import numpy

import harness


class Root(harness.DaemonCase):
    def test_root_names_the_daemon_and_its_limits(self):
        answer = self.daemon.get("/v1/")
        self.assertEqual(answer.status, 200)
        self.assertEqual(answer.json["name"], "residuum")
        # the default of --max-upload in the interface: 4 GiB
        self.assertIn(4 << 30, answer.json["limits"].values())

    def test_every_link_of_the_root_leads_somewhere(self):
        for name, link in self.daemon.get("/v1/").json["links"].items():
            with self.subTest(name):
                self.assertEqual(self.daemon.get(link).status, 200)

    def test_health_is_good(self):
        answer = self.daemon.get("/v1/health")
        self.assertEqual(answer.status, 200)
        self.assertTrue(answer.json["ready"])
        self.assertGreaterEqual(answer.json["workers"]["alive"], 1)
        self.assertGreater(answer.json["free_disk_bytes"], 0)


class Measurements(harness.DaemonCase):
    def test_each_that_is_listed_is_there(self):
        answer = self.daemon.get("/v1/measurements")
        self.assertEqual(answer.status, 200)
        names = [m["name"] for m in answer.json["measurements"]]
        self.assertIn("distortion", names)
        for name in names:
            with self.subTest(name):
                item = self.daemon.get(f"/v1/measurements/{name}")
                self.assertEqual(item.status, 200)

    def test_distortion_declares_the_figures_of_its_contract(self):
        # measurements.md, section 2, the table of figures
        want = {
            "fundamental_frequency": "Hz", "fundamental_level": "dBFS",
            "fundamental_voltage": "V", "thd": "dB", "thd_percent": "%",
            "thd_plus_noise": "dB", "thd_plus_noise_percent": "%", "sinad": "dB",
            "enob": "bit", "enob_full_scale": "bit", "snr": "dB", "noise_level": "dBFS",
            "noise_level_a": "dBFS", "noise_voltage": "V", "noise_voltage_a": "V",
            "out_of_band_noise": "dBFS", "sfdr": "dB", "worst_spur_frequency": "Hz",
            "worst_spur_level": "dBc", "dc_offset": "FS", "dc_voltage": "V",
            "mains_level": "dBc", "channel_level_difference": "dB",
            "channel_phase_difference": "deg",
        }
        item = self.daemon.get("/v1/measurements/distortion").json
        self.assertEqual({f["name"]: f["unit"] for f in item["figures"]}, want)
        self.assertIn("overload", [f["name"] for f in item["findings"]])
        lists = {entry["name"]: [f["name"] for f in entry["fields"]] for entry in item["lists"]}
        self.assertLessEqual(
            {"order", "frequency_hz", "level_dbc", "phase_deg", "above_noise", "aliased"},
            set(lists["harmonics"]))
        self.assertIn("spectrum", [s["name"] for s in item["series"]])

    def test_noise_declares_the_figures_of_its_contract(self):
        # measurements.md, section 3; tone_frequency and tone_level are what the dynamic range
        # is counted from
        levels = ("noise_level", "noise_level_a", "noise_level_468", "noise_level_468_quasi_peak",
                  "out_of_band_noise", "mains_level", "tone_level")
        want = dict.fromkeys(levels, "dBFS")
        want |= {name.replace("level", "voltage"): "V" for name in levels[:4]}
        want |= dict.fromkeys(("dynamic_range", "dynamic_range_a", "dynamic_range_468"), "dB")
        want |= {"noise_density": "dBFS/√Hz", "noise_density_voltage": "V/√Hz",
                 "dynamic_range_bits": "bit", "tone_frequency": "Hz"}
        item = self.daemon.get("/v1/measurements/noise").json
        self.assertEqual({f["name"]: f["unit"] for f in item["figures"]}, want)
        self.assertEqual([entry["name"] for entry in item["lists"]], ["mains", "lines"])
        self.assertIn("spectrum", [s["name"] for s in item["series"]])

    def test_unknown_measurement_is_not_found(self):
        self.check_problem(self.daemon.get("/v1/measurements/distorsion"), 404, "not_found")


class Signals(harness.DaemonCase):
    TONE = "/v1/signals/tone/audio?frequency_hz=997&level_dbfs=-1&sample_rate_hz=48000&bits=24"

    def test_tone_has_the_parameters_of_every_signal(self):
        answer = self.daemon.get("/v1/signals")
        self.assertEqual(answer.status, 200)
        self.assertIn("tone", [s["name"] for s in answer.json["signals"]])
        item = self.daemon.get("/v1/signals/tone")
        self.assertEqual(item.status, 200)
        names = [p["name"] for p in item.json["parameters"]]
        for name in ("sample_rate_hz", "bits", "channels", "duration_s", "frequency_hz",
                     "level_dbfs"):
            self.assertIn(name, names)

    def test_tone_has_the_level_and_the_frequency_asked_for(self):
        # a sine of -1 dBFS has the peak 10^(-1/20), by the definition of dBFS
        answer = self.daemon.get(self.TONE + "&duration_s=1")
        self.assertEqual(answer.status, 200, answer)
        self.assertRegex(answer.headers["content-type"], r"^audio/")
        with wave.open(io.BytesIO(answer.body)) as file:
            self.assertEqual(
                (file.getframerate(), file.getsampwidth(), file.getnframes()), (48000, 3, 48000))
            step = 3 * file.getnchannels()
            raw = file.readframes(48000)
        x = numpy.array([int.from_bytes(raw[i:i + 3], "little", signed=True)
                         for i in range(0, len(raw), step)]) / (1 << 23)
        spectrum = numpy.abs(numpy.fft.rfft(x)) / 24000
        self.assertEqual(int(spectrum.argmax()), 997)
        self.assertAlmostEqual(20 * numpy.log10(spectrum[997]), -1.0, places=4)

    def test_tone_is_the_same_bytes_each_time(self):
        first = self.daemon.get(self.TONE + "&duration_s=1").body
        self.assertEqual(first, self.daemon.get(self.TONE + "&duration_s=1").body)

    def test_unknown_signal_is_not_found(self):
        self.check_problem(self.daemon.get("/v1/signals/tune"), 404, "not_found")
        self.check_problem(self.daemon.get("/v1/signals/tune/audio"), 404, "not_found")

    def test_bad_parameters_are_refused_by_name(self):
        for query, code, field in (
            ("frequenzy_hz=997", "unknown_field", "frequenzy_hz"),
            ("frequency_hz=loud", "out_of_range", "frequency_hz"),
            ("frequency_hz=-1", "out_of_range", "frequency_hz"),
            ("frequency_hz=nan", "out_of_range", "frequency_hz"),
            ("bits=17", "out_of_range", "bits"),
            ("sample_rate_hz=48000&frequency_hz=24000", "out_of_range", "frequency_hz"),
        ):
            with self.subTest(query):
                answer = self.daemon.get("/v1/signals/tone/audio?" + query)
                self.check_problem(answer, 422, code, field)


class EveryResource(harness.DaemonCase):
    MISSING_CAPTURE = "/v1/captures/cap_aaaaaaaaaaaaaaaaaaaa"
    MISSING_ANALYSIS = "/v1/analyses/ana_aaaaaaaaaaaaaaaaaaaa"
    LISTS = ("/v1/", "/v1/health", "/v1/measurements", "/v1/measurements/distortion",
             "/v1/captures", "/v1/analyses", "/v1/signals", "/v1/signals/tone")

    def test_head_answers_as_get_without_a_body(self):
        for path in self.LISTS:
            with self.subTest(path):
                got, head = self.daemon.get(path), self.daemon.ask("HEAD", path)
                self.assertEqual((head.status, head.body), (got.status, b""))
                self.assertEqual(head.headers["content-type"], got.headers["content-type"])

    def test_options_tells_the_methods(self):
        for path, methods in (("/v1/health", {"GET", "HEAD", "OPTIONS"}),
                              ("/v1/captures", {"GET", "HEAD", "OPTIONS", "POST"}),
                              ("/v1/analyses", {"GET", "HEAD", "OPTIONS", "POST"})):
            with self.subTest(path):
                answer = self.daemon.ask("OPTIONS", path)
                self.assertIn(answer.status, (200, 204))
                self.assertEqual(set(re.split(r",\s*", answer.headers["allow"])), methods)

    def test_wrong_method_tells_the_right_ones(self):
        for method, path in (("DELETE", "/v1/"), ("POST", "/v1/health"), ("PUT", "/v1/captures"),
                             ("PATCH", "/v1/analyses"), ("POST", "/v1/measurements"),
                             ("DELETE", "/v1/signals/tone"), ("BREW", "/v1/health")):
            with self.subTest(f"{method} {path}"):
                answer = self.daemon.ask(method, path, b"" if method == "POST" else None)
                problem = self.check_problem(
                    answer, 405, "wrong_method", allowed=answer.headers["allow"])
                self.assertIn("GET", problem["allowed"])
                self.assertNotIn(method, re.split(r",\s*", problem["allowed"]))

    def test_unknown_paths_are_not_found(self):
        for path in ("/", "/v1", "/v2/", "/v1/capture", "/v1/captures/", "/v1/health/x",
                     self.MISSING_CAPTURE, self.MISSING_ANALYSIS,
                     "/v1/captures/ana_aaaaaaaaaaaaaaaaaaaa", "/v1/captures/..%2f..%2flock",
                     "/v1/analyses/%00", self.MISSING_ANALYSIS + "/result",
                     self.MISSING_ANALYSIS + "/result/series/spectrum"):
            with self.subTest(path):
                self.check_problem(self.daemon.get(path), 404, "not_found")

    def test_unknown_query_parameters_are_refused_by_name(self):
        for path in self.LISTS + (self.MISSING_CAPTURE, self.MISSING_ANALYSIS):
            with self.subTest(path):
                answer = self.daemon.get(path + "?colour=blue")
                self.check_problem(answer, 422, "unknown_field", "colour")

    def test_answers_forbid_sniffing(self):
        for path in self.LISTS + ("/v1/nothing",):
            with self.subTest(path):
                answer = self.daemon.get(path)
                self.assertEqual(answer.headers["x-content-type-options"], "nosniff")

    def test_states_are_not_to_be_stored(self):
        for path in ("/v1/health", "/v1/captures", "/v1/analyses"):
            with self.subTest(path):
                self.assertEqual(self.daemon.get(path).headers["cache-control"], "no-store")


if __name__ == "__main__":
    harness.main()
