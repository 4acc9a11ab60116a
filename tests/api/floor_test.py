"""The instrument floor: a recording of the recorder on itself, and figures judged by it."""

import math

import harness
import waves

# The recorder adds noise and a second harmonic of its own; the device's are what is above.
FLOOR_NOISE_DBFS, FLOOR_SECOND_DBC = -106.0, -106.0
LEVEL_DBFS, SECOND_DBC, NOISE_DBFS = -3.0, -100.0, -100.0


def recording(second_dbc, noise_dbfs, seed, **changes):
    tone = {"duration_s": 5, "channels": 2, **changes}
    return waves.wav(waves.tone(
        997.0, LEVEL_DBFS, harmonics=((2, second_dbc),), noise_dbfs=noise_dbfs, seed=seed, **tone))


def decibels(ratio):
    return 20 * math.log10(ratio)


class Floor(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.floor = cls.daemon.upload(recording(FLOOR_SECOND_DBC, FLOOR_NOISE_DBFS, 1)).json
        cls.take = cls.daemon.upload(recording(SECOND_DBC, NOISE_DBFS, 2)).json
        cls.plain = cls.measured(cls.take["id"])
        cls.judged = cls.measured(cls.take["id"], cls.floor["id"])

    @classmethod
    def order(cls, capture, floor=None, settings=None):
        order = {"capture": capture, "measurement": "distortion", "settings": settings or {}}
        if floor:
            order["floor_capture"] = floor
        answer = cls.daemon.post_json("/v1/analyses", order)
        assert answer.status == 202, answer
        return answer.json

    @classmethod
    def measured(cls, capture, floor=None):
        analysis = cls.order(capture, floor)["id"]
        assert cls.daemon.wait_for_end(analysis)["state"] == "done"
        return cls.daemon.get(f"/v1/analyses/{analysis}/result").json

    def test_result_names_it_and_says_what_is_a_bound(self):
        self.assertEqual(self.judged["floor_capture"], {
            "id": self.floor["id"], "sha256": self.floor["sha256"],
            "sample_rate_hz": 48000, "frames": 240000})
        self.assertNotIn("floor_capture", self.plain)
        itself = self.measured(self.take["id"], self.take["id"])
        words = {}
        for name, figure in itself["channels"][0]["figures"].items():
            if figure["value"] is not None and "bound" in figure:
                self.assertIsNone(figure["u95"], name)
                words[name] = figure["bound"]
        self.assertEqual(words, {
            "thd": "at_most", "thd_percent": "at_most", "thd_plus_noise": "at_most",
            "thd_plus_noise_percent": "at_most", "sinad": "at_least", "enob": "at_least",
            "enob_full_scale": "at_least", "snr": "at_least", "noise_level": "at_most",
            "noise_level_a": "at_most", "out_of_band_noise": "at_most", "sfdr": "at_least"})

    def test_analysis_names_it(self):
        analysis = self.order(self.take["id"], self.floor["id"])
        self.assertEqual(analysis["floor_capture"], self.floor["id"])
        done = self.daemon.wait_for_end(analysis["id"])
        self.assertEqual(done["state"], "done")
        self.assertEqual(done["floor_capture"], self.floor["id"])
        listed = self.daemon.get("/v1/analyses?limit=1").json["analyses"][0]
        self.assertEqual(listed["floor_capture"], self.floor["id"])
        self.assertNotIn("floor_capture", self.order(self.take["id"]))

    def test_nothing_is_subtracted(self):
        for before, after in zip(self.plain["channels"], self.judged["channels"]):
            for name, figure in after["figures"].items():
                self.assertEqual(figure["value"], before["figures"][name]["value"], name)
            for part in ("findings", "lists", "series", "span"):
                self.assertEqual(after[part], before[part])

    def widening(self, name):
        before, after = (r["channels"][0]["figures"][name] for r in (self.plain, self.judged))
        return after["u95"] - before["u95"]

    def test_widened_by_what_the_floor_may_have_added(self):
        # 6 dB apart: amplitudes 1 to 2, powers 1 to 4; 0.1 dB for the scatter of noise
        second = -decibels(1 - 10 ** ((FLOOR_SECOND_DBC - SECOND_DBC) / 20))
        noise = -10 * math.log10(1 - 10 ** ((FLOOR_NOISE_DBFS - NOISE_DBFS) / 10))
        for name, want in (("thd", second), ("noise_level", noise), ("noise_level_a", noise),
                           ("snr", noise), ("out_of_band_noise", noise), ("sfdr", second)):
            with self.subTest(name):
                self.assertAlmostEqual(self.widening(name), want, delta=0.3)
        for name in ("fundamental_level", "fundamental_frequency", "dc_offset"):
            self.assertEqual(self.widening(name), 0)

    def test_each_channel_is_warned_of_by_name(self):
        near = [w for w in self.judged["warnings"] if w["code"] == "near_instrument_floor"]
        self.assertEqual([w["channel"] for w in near], [1, 2])
        for warning in near:
            for name in ("thd ", "noise_level ", "sinad "):
                self.assertIn(name, warning["message"])
        self.assertEqual(self.plain["warnings"], [])

    def test_bound_holds_though_recorder_and_device_cancel(self):
        # device −106 dBc, recorder −110 dBc of opposite phase: less than either is measured
        device, recorder = 10 ** (-106 / 20), 10 ** (-110 / 20)
        floor = self.daemon.upload(waves.float_wav(waves.tone(
            997.0, LEVEL_DBFS, 5, harmonics=((2, -110.0),)))).json["id"]
        take = self.daemon.upload(waves.float_wav(waves.tone(
            997.0, LEVEL_DBFS, 5, harmonics=((2, decibels(device - recorder)),)))).json["id"]
        thd = self.measured(take, floor)["channels"][0]["figures"]["thd"]
        self.assertEqual(thd["bound"], "at_most")
        # the recording's floats leave noise near −150 dBFS
        self.assertAlmostEqual(thd["value"], -106, delta=0.1)

    def test_figures_declare_their_kind(self):
        table = self.daemon.get("/v1/measurements/distortion").json
        kinds = {f["name"]: f["floor"] for f in table["figures"]}
        self.assertEqual((kinds["thd"], kinds["snr"], kinds["dc_offset"]),
                         ("harmonic", "noise", "none"))

    def test_floor_that_does_not_go_with_the_recording(self):
        silence = self.daemon.upload(waves.wav(0 * waves.tone(duration_s=5, channels=2)))
        brief = waves.wav(waves.tone(duration_s=0.2, channels=2))
        for name, floor, code, says in (
            ("one channel", recording(-110, -110, 3, channels=1), "out_of_range", "1 channel"),
            ("other rate", waves.wav(waves.tone(duration_s=5, channels=2, rate_hz=96000),
                                     rate_hz=96000), "out_of_range", "96000 Hz"),
            ("too short", brief, "not_measurable", "In the floor capture: "),
        ):
            with self.subTest(name):
                floor_id = self.daemon.upload(floor).json["id"]
                ended = self.daemon.wait_for_end(self.order(self.take["id"], floor_id)["id"])
                self.assertEqual(ended["state"], "failed")
                self.assertEqual(ended["problem"]["code"], code)
                self.assertEqual(ended["problem"]["field"], "floor_capture")
                self.assertIn(says, ended["problem"]["detail"])
        quiet = self.measured(self.take["id"], silence.json["id"])
        self.assertEqual([w["code"] for w in quiet["warnings"]], ["wrong_signal"] * 2 + ["channel_silent"])
        self.assertEqual([c["figures"] for c in quiet["channels"]],
                         [c["figures"] for c in self.plain["channels"]])


class EveryMeasurement(harness.DaemonCase):
    """Noise and products of the recorder 6 dB below what the device has, in each measurement:
    by how much a figure's u95 is widened where noise adds as powers, where lines may be in
    phase, and not at all where it is the signal itself."""

    NOISE, LINE, NONE = (-10 * math.log10(1 - 10 ** -0.6), -decibels(1 - 10 ** -0.3), 0)
    # what the signal is, what is beside it at −80 dBFS, and figures
    CASES = {
        "noise": ((), (50,), {
            "noise_level": NOISE, "noise_level_a": NOISE, "noise_level_468": NOISE,
            "out_of_band_noise": NOISE, "mains_level": LINE}),
        "intermodulation": (((60, -4), (7000, -16)), (6880, 6940, 7060, 7120), {
            "modulation_distortion": LINE, "modulation_distortion_rss": LINE,
            "frequency_1": NONE, "level_2": NONE, "peak_level": NONE}),
        "multitone": (tuple((100 * 1.5 ** i + 3, -24) for i in range(12)), (4001,), {
            "residual_level": LINE, "residual_ratio": LINE, "largest_line_ratio": LINE,
            "total_level": NONE, "tone_count": NONE}),
        "jitter": (((12000, -6),), (-11000, 13000), {  # one inverted: the phase is modulated
            "worst_sideband": LINE, "carrier_level": NONE, "carrier_frequency": NONE}),
    }

    def recording(self, signal, lines, below_db, seed):
        parts = (*signal, *((hz, -80 - below_db) for hz in lines))
        samples = waves.tones(parts, 5, noise_dbfs=-90 - below_db, seed=seed)
        return self.daemon.upload(waves.float_wav(samples)).json["id"]

    def figures(self, measurement, capture, **more):
        order = {"capture": capture, "measurement": measurement, **more}
        answer = self.daemon.post_json("/v1/analyses", order, Prefer="wait=30")
        self.assertEqual(answer.json["state"], "done", answer)
        result = self.daemon.get(answer.json["links"]["result"]).json
        return result["channels"][0]["figures"], {w["code"] for w in result["warnings"]}

    def test_u95_is_widened_by_the_kind_of_the_figure(self):
        for measurement, (signal, lines, widened) in self.CASES.items():
            take = self.recording(signal, lines, 0, 1)
            floor = self.recording(signal, lines, 6, 2)
            plain, _ = self.figures(measurement, take)
            judged, codes = self.figures(measurement, take, floor_capture=floor)
            self.assertIn("near_instrument_floor", codes, measurement)
            for name, want in widened.items():
                with self.subTest(measurement, figure=name):
                    before, after = plain[name], judged[name]
                    self.assertEqual(after["value"], before["value"])
                    if want == self.NONE:
                        self.assertEqual(after, before)
                        continue
                    # the distance is measured between two noises: some tenths of a dB
                    self.assertAlmostEqual(after["u95"] - before["u95"], want, delta=0.4)

    def test_every_measurement_is_here(self):
        described = self.daemon.get("/v1/measurements").json["measurements"]
        self.assertEqual({m["name"] for m in described} - {"distortion"}, set(self.CASES))


if __name__ == "__main__":
    harness.main()
