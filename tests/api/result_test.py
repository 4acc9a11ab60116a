"""Results and series: true numbers, thinning, and the same bytes again."""

import json
import math
import struct

import numpy

import harness
import waves

# A tone with known harmonics over known noise; the figures below follow by closed form.
LEVEL_DBFS, SECOND_DBC, THIRD_DBC, NOISE_DBFS = -3.0, -70.0, -80.0, -100.0
SAMPLES = waves.tone(997.0, LEVEL_DBFS, 10, 2, ((2, SECOND_DBC), (3, THIRD_DBC)), NOISE_DBFS)


class Result(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(waves.wav(SAMPLES)).json
        cls.analysis = cls.daemon.analyse(cls.capture["id"])
        assert cls.daemon.wait_for_end(cls.analysis)["state"] == "done"
        cls.path = f"/v1/analyses/{cls.analysis}/result"
        cls.result = cls.daemon.get(cls.path).json

    def figure(self, name, channel=0):
        return self.result["channels"][channel]["figures"][name]

    def test_head_of_the_result(self):
        self.assertEqual(self.result["analysis"], self.analysis)
        self.assertEqual(self.result["measurement"], "distortion")
        self.assertEqual(self.result["capture"], {
            "id": self.capture["id"], "sha256": self.capture["sha256"],
            "sample_rate_hz": 48000, "frames": 480000})
        self.assertEqual(
            self.result["links"]["series"],
            self.path + "/series/{name}{?channel,points,from,to}")
        self.assertEqual([c["channel"] for c in self.result["channels"]], [1, 2])

    def test_holds_what_the_table_declares_and_nothing_else(self):
        table = self.daemon.get("/v1/measurements/distortion").json
        self.assertEqual(set(self.result["settings"]), {s["name"] for s in table["settings"]})
        for channel in self.result["channels"]:
            for part in ("figures", "findings", "lists", "series"):
                self.assertEqual(set(channel[part]), {entry["name"] for entry in table[part]})
            units = {f["name"]: f["unit"] for f in table["figures"]}
            self.assertEqual({n: f["unit"] for n, f in channel["figures"].items()}, units)
            for entry in table["lists"]:
                names = {f["name"] for f in entry["fields"]}
                for row in channel["lists"][entry["name"]]:
                    self.assertEqual(set(row), names)

    def test_figures_are_what_was_put_in(self):
        second, third = 10 ** (SECOND_DBC / 20), 10 ** (THIRD_DBC / 20)
        thd = math.hypot(second, third)
        # white noise of NOISE_DBFS over 0…24 kHz, of which 20 Hz…20 kHz counts
        noise_dbfs = NOISE_DBFS + 10 * math.log10((20000 - 20) / 24000)
        noise = 10 ** ((noise_dbfs - LEVEL_DBFS) / 20)
        residual = math.hypot(thd, noise)
        for name, want, tolerance in (
            ("fundamental_frequency", 997.0, 1e-4),
            ("fundamental_level", LEVEL_DBFS, 0.001),
            ("thd", 20 * math.log10(thd), 0.02),
            ("thd_percent", 100 * thd, 100 * thd * 0.0023),
            ("sinad", -20 * math.log10(residual), 0.05),
            ("thd_plus_noise", 20 * math.log10(residual / math.hypot(1, residual)), 0.05),
            ("noise_level", noise_dbfs, 0.1),
            ("snr", LEVEL_DBFS - noise_dbfs, 0.1),
            ("enob", (-20 * math.log10(residual) - 1.76) / 6.02, 0.01),
        ):
            for channel in (0, 1):
                with self.subTest(f"{name}, channel {channel + 1}"):
                    figure = self.figure(name, channel)
                    self.assertAlmostEqual(figure["value"], want, delta=tolerance)
                    self.assertGreater(figure["u95"], 0)
        self.assertAlmostEqual(
            self.figure("channel_level_difference", 1)["value"], 0, delta=0.001)

    def test_harmonics_are_what_was_put_in(self):
        harmonics = self.result["channels"][0]["lists"]["harmonics"]
        self.assertEqual([h["order"] for h in harmonics], list(range(2, 11)))
        for row, want in zip(harmonics, (SECOND_DBC, THIRD_DBC)):
            self.assertAlmostEqual(row["level_dbc"], want, delta=0.1)
            self.assertTrue(row["above_noise"])
            self.assertAlmostEqual(row["frequency_hz"], 997.0 * row["order"], delta=0.01)
            # in phase with the fundamental, as they were made
            self.assertAlmostEqual(row["phase_deg"], 0, delta=2)
        self.assertFalse(any(row["aliased"] for row in harmonics))

    def test_voltages_need_a_calibration(self):
        for name in ("fundamental_voltage", "noise_voltage", "noise_voltage_a", "dc_voltage"):
            self.assertEqual(self.figure(name),
                             {"value": None, "unit": "V", "reason": "no_calibration"})

    def test_numbers_have_at_most_12_digits(self):
        for text in json.dumps(json.loads(
                self.daemon.get(self.path).body, parse_float=str)).split('"'):
            if text[:1].isdigit() or text[:1] == "-":
                digits = text.lower().split("e")[0].replace(".", "").lstrip("-0")
                self.assertLessEqual(len(digits), 12, text)

    def test_same_order_gives_the_same_bytes(self):
        again = self.daemon.analyse(self.capture["id"])
        self.assertEqual(self.daemon.wait_for_end(again)["state"], "done")
        first = self.daemon.get(self.path).body
        second = self.daemon.get(f"/v1/analyses/{again}/result").body
        self.assertEqual(first, second.replace(again.encode(), self.analysis.encode()))

    def test_settings_are_filled_in_and_taken(self):
        order = {"harmonics": 3, "channels": [2], "start_s": 2, "duration_s": 4}
        analysis = self.daemon.analyse(self.capture["id"], order)
        self.assertEqual(self.daemon.wait_for_end(analysis)["state"], "done")
        result = self.daemon.get(f"/v1/analyses/{analysis}/result").json
        for name, value in order.items():
            self.assertEqual(result["settings"][name], value)
        self.assertEqual([c["channel"] for c in result["channels"]], [2])
        channel = result["channels"][0]
        self.assertEqual([h["order"] for h in channel["lists"]["harmonics"]], [2, 3])
        self.assertGreaterEqual(channel["span"]["start_s"], 2)
        self.assertLessEqual(channel["span"]["end_s"], 6)

    def test_unknown_parameters_are_refused(self):
        self.check_problem(self.daemon.get(self.path + "?format=xml"), 422, "unknown_field",
                           "format")


class Series(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        capture = cls.daemon.upload(waves.wav(SAMPLES)).json["id"]
        cls.analysis = cls.daemon.analyse(capture)
        assert cls.daemon.wait_for_end(cls.analysis)["state"] == "done"
        cls.path = f"/v1/analyses/{cls.analysis}/result/series/spectrum"
        result = cls.daemon.get(f"/v1/analyses/{cls.analysis}/result").json
        cls.declared = result["channels"][0]["series"]["spectrum"]
        cls.whole = cls.curve("?channel=1")

    @classmethod
    def curve(cls, query):
        answer = cls.daemon.get(cls.path + query)
        assert answer.status == 200, answer
        return answer.json

    def test_it_has_the_points_and_axes_declared(self):
        self.assertEqual((self.whole["name"], self.whole["channel"]), ("spectrum", 1))
        for axis in ("x", "y"):
            named = {k: self.whole[axis][k] for k in ("name", "unit")}
            self.assertEqual(named, self.declared[axis])
        x, y = self.whole["x"]["values"], self.whole["y"]["values"]
        self.assertEqual((len(x), len(y)), (self.declared["points"],) * 2)
        steps = numpy.diff(x)
        self.assertTrue((steps > 0).all())
        self.assertAlmostEqual(steps.max(), steps.min(), delta=1e-6)

    def test_peak_is_the_tone(self):
        y = numpy.array([-999 if v is None else v for v in self.whole["y"]["values"]])
        peak = int(y.argmax())
        self.assertAlmostEqual(self.whole["x"]["values"][peak], 997, delta=3)
        # a 7-term window reads a tone between two bins at most 0.7 dB low
        self.assertAlmostEqual(y[peak], LEVEL_DBFS, delta=0.8)

    def test_values_are_float32_to_12_digits(self):
        for value in self.whole["y"]["values"][:2000]:
            if value is not None:
                near = struct.unpack("<f", struct.pack("<f", value))[0]
                self.assertEqual(float(f"{near:.12g}"), float(value))

    def check_thinned(self, curve, points, whole_x, whole_y):
        x, y = curve["x"]["values"], curve["y"]["values"]
        self.assertEqual(len(x), len(y))
        self.assertLessEqual(len(x), points)
        # intervals of no more than one point each may give one; never fewer than one each
        self.assertGreaterEqual(len(x), min(points // 2, len(whole_x)))
        self.assertTrue((numpy.diff(x) > 0).all(), "x ascends")
        known = dict(zip(whole_x, whole_y))
        for a, b in zip(x, y):
            self.assertEqual(known[a], b, "every point is one of the whole curve")
        numbers = [v for v in whole_y if v is not None]
        kept = [v for v in y if v is not None]
        self.assertEqual((min(kept), max(kept)), (min(numbers), max(numbers)))

    def test_thinning_keeps_extremes(self):
        x, y = self.whole["x"]["values"], self.whole["y"]["values"]
        for points in (2, 3, 10, 101, 1000, 20000):
            with self.subTest(points=points):
                curve = self.curve(f"?channel=1&points={points}")
                self.check_thinned(curve, points, x, y)

    def test_thinning_keeps_every_harmonic_visible(self):
        curve = self.curve("?channel=1&points=1000")
        x, y = numpy.array(curve["x"]["values"]), curve["y"]["values"]
        y = numpy.array([-999 if v is None else v for v in y])
        for order, dbc in ((2, SECOND_DBC), (3, THIRD_DBC)):
            near = abs(x - 997 * order) < 60
            self.assertAlmostEqual(y[near].max(), LEVEL_DBFS + dbc, delta=1)

    def test_from_and_to_cut(self):
        low, high = 900.0, 1100.0
        curve = self.curve(f"?channel=1&from={low}&to={high}")
        pairs = [(a, b) for a, b in zip(self.whole["x"]["values"], self.whole["y"]["values"])
                 if low <= a <= high]
        self.assertEqual(list(zip(curve["x"]["values"], curve["y"]["values"])), pairs)
        thin = self.curve(f"?channel=1&from={low}&to={high}&points=20")
        self.check_thinned(thin, 20, [a for a, _ in pairs], [b for _, b in pairs])

    def test_cut_without_a_point_is_empty(self):
        curve = self.curve("?channel=1&from=23999.99999&to=23999.999991")
        self.assertEqual((curve["x"]["values"], curve["y"]["values"]), ([], []))

    def test_second_channel_is_another_curve(self):
        other = self.curve("?channel=2")
        self.assertEqual(other["channel"], 2)
        self.assertEqual(other["x"]["values"], self.whole["x"]["values"])
        self.assertNotEqual(other["y"]["values"], self.whole["y"]["values"])

    def test_channel_may_be_left_out(self):
        self.assertEqual(self.curve(""), self.whole)

    def test_bad_questions_are_refused(self):
        for query, status, code, field in (
            ("?channel=1&points=1", 422, "out_of_range", "points"),
            ("?channel=1&points=20001", 422, "out_of_range", "points"),
            ("?channel=1&points=many", 422, "out_of_range", "points"),
            ("?channel=0", 422, "out_of_range", "channel"),
            ("?channel=3", 422, "out_of_range", "channel"),
            ("?channel=one", 422, "out_of_range", "channel"),
            ("?channel=1&from=low", 422, "out_of_range", "from"),
            ("?channel=1&from=nan", 422, "out_of_range", "from"),
            ("?channel=1&from=200&to=100", 422, "out_of_range", None),
            ("?channel=1&chanel=2", 422, "unknown_field", "chanel"),
            ("?channel=1&channel=2", 422, None, None),
        ):
            with self.subTest(query):
                answer = self.daemon.get(self.path + query)
                problem = answer.json
                self.check_problem(answer, status, code or problem["code"],
                                   field or problem.get("field"))

    def test_unknown_series_is_not_found(self):
        other = self.path.replace("spectrum", "spectre")
        self.check_problem(self.daemon.get(other + "?channel=1"), 404, "not_found")


if __name__ == "__main__":
    harness.main()
