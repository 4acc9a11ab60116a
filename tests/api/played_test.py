"""Each test signal as a tester uses it: rendered by the daemon, uploaded back with what it is,
measured by what is then suggested. And through a device whose curve is known, by the closed
forms of two tones."""

import io
import json
import math
import urllib.parse
import wave

import numpy

import harness
import waves

# From the signal's definition. 24-bit TPDF noise is −142.28 dBFS from 20 Hz to 20 kHz at 48 kHz
# (variance of a quarter of LSB², 19980 of 24000 Hz), whatever the tone.
NOISE_24 = -142.28
# signal: parameters, measurement, what is read: figure, value, within
SIGNALS = {
    "tone": ({"level_dbfs": -1}, "distortion", (
        ("fundamental_frequency", 997, 1e-4), ("fundamental_level", -1, 0.001),
        ("noise_level", NOISE_24, 0.2), ("sinad", -1 - NOISE_24, 0.2))),
    "silence": ({}, "noise", (("noise_level", None, "digital_silence"),)),
    "twin-tone": ({"level_dbfs": -1}, "intermodulation", (
        ("frequency_1", 60, 1e-4), ("frequency_2", 7000, 1e-3), ("level_ratio", 12.0412, 0.001),
        ("level_1", -1 + 20 * math.log10(0.8), 0.001),
        ("modulation_distortion", None, "below_noise"))),
    "multitone": ({"level_dbfs": -1}, "multitone", (
        ("tone_count", 31, 0), ("lost", [], 0))),
    "jitter-pattern": ({}, "jitter", (
        ("carrier_frequency", 12000, 1e-3),
        # a square of period 4 at ±½, samples at 45°: a sine of √½
        ("carrier_level", 20 * math.log10(math.sqrt(0.5)), 0.001))),
    "white-noise": ({}, None, ()),
}
RATES_HZ = (44100, 96000)


class Played(harness.DaemonCase):
    def render(self, name, parameters):
        query = urllib.parse.urlencode(parameters)
        answer = self.daemon.get(f"/v1/signals/{name}/audio?{query}")
        self.assertEqual(answer.status, 200, answer)
        return answer.body

    def upload(self, body, name, parameters):
        signal = json.dumps({"name": name, "parameters": parameters})
        answer = self.daemon.upload(body, "?" + urllib.parse.urlencode({"signal": signal}))
        self.assertEqual(answer.status, 201, answer)
        return self.daemon.looked_at(answer.json["id"])

    def measure(self, capture):
        """The result of the one measurement that is suggested."""
        (suggested,) = capture["suggested"]
        order = {"capture": capture["id"], **suggested}
        answer = self.daemon.post_json("/v1/analyses", order, Prefer="wait=30")
        self.assertEqual(answer.json["state"], "done", answer)
        return self.daemon.get(answer.json["links"]["result"]).json

    def check(self, channel, name, want, within):
        if name in channel["lists"]:
            self.assertEqual(channel["lists"][name], want)
            return
        figure = channel["figures"][name]
        if want is None:
            self.assertEqual((figure["value"], figure["reason"]), (None, within))
        else:
            self.assertAlmostEqual(figure["value"], want, delta=within)

    def test_every_signal_is_here(self):
        signals = self.daemon.get("/v1/signals").json["signals"]
        self.assertEqual({s["name"] for s in signals}, set(SIGNALS))
        measurements = self.daemon.get("/v1/measurements").json["measurements"]
        self.assertEqual({m["name"] for m in measurements},
                         {measurement for _, measurement, _ in SIGNALS.values()} - {None})

    def test_rendered_and_uploaded_it_is_what_it_says(self):
        for name, (parameters, measurement, read) in SIGNALS.items():
            with self.subTest(name):
                capture = self.upload(self.render(name, parameters), name, parameters)
                told = [] if measurement is None else [
                    {"measurement": measurement, "settings": {}}]
                self.assertEqual(capture["suggested"], told)
                warned = {w["code"] for w in capture["warnings"]}
                self.assertEqual(warned, {"channel_silent"} if name == "silence" else set())
                if measurement is None:
                    continue
                result = self.measure(capture)
                self.assertEqual(result["measurement"], measurement)
                self.assertEqual(result["signal"]["name"], name)
                for channel in result["channels"]:
                    for figure, want, within in read:
                        self.check(channel, figure, want, within)

    def test_other_rates_and_bits(self):
        for name, (_, measurement, _) in SIGNALS.items():
            for rate_hz in RATES_HZ if measurement else ():
                parameters = {"sample_rate_hz": rate_hz, "bits": 16, "duration_s": 6}
                if name == "jitter-pattern":
                    parameters["pattern_bits"] = 16
                with self.subTest(name, rate_hz=rate_hz):
                    capture = self.upload(self.render(name, parameters), name, parameters)
                    result = self.measure(capture)
                    self.assertEqual(result["measurement"], measurement)
                    self.assertEqual(result["capture"]["sample_rate_hz"], rate_hz)

    def through_device(self, name, parameters, second, third):
        """The signal through y = x + second x² + third x³, as 32-bit float."""
        with wave.open(io.BytesIO(self.render(name, parameters))) as file:
            raw = numpy.frombuffer(file.readframes(file.getnframes()), numpy.uint8)
        codes = raw.reshape(-1, 3).astype(numpy.int32) @ (1, 256, 65536)
        x = (codes - (codes >= 1 << 23) * (1 << 24)) / (1 << 23)
        x = x.reshape(-1, 2)
        y = x + second * x**2 + third * x**3
        return self.upload(waves.float_wav(y, parameters["sample_rate_hz"]), name, parameters)

    def test_closed_forms_of_two_tones(self):
        second, third, peak = 1e-3, 2e-3, 10 ** (-6 / 20)
        # smpte: A1 = 0.8 of the peak; sidebands re A2: a2·A1 each and ¾·a3·A1² each, added
        # within an order, root-sum across
        low = 0.8 * peak
        smpte = math.hypot(2 * second * low, 2 * 0.75 * third * low**2)
        # 1:1: f2−f1 = a2·A² and 2f1−f2 = ¾·a3·A³, re 2·A; at 96 kHz both third-order ones count
        even = peak / 2
        difference = (second * even**2 / (2 * even), 2 * 0.75 * third * even**3 / (2 * even))
        for kind, want in (
            ("smpte", {"modulation_distortion": smpte}), ("din", {"modulation_distortion": smpte}),
            ("difference-frequency", {
                "difference_second": difference[0], "difference_third": difference[1],
                "difference_total": math.hypot(*difference)}),
        ):
            parameters = {"kind": kind, "level_dbfs": -6, "sample_rate_hz": 96000, "channels": 2}
            capture = self.through_device("twin-tone", parameters, second, third)
            result = self.measure(capture)
            self.assertEqual(result["settings"]["kind"], kind)
            for name, ratio in want.items():
                with self.subTest(kind, figure=name):
                    # the cubic part also changes the tones' own level, by some 0.01 dB
                    figure = result["channels"][0]["figures"][name]
                    self.assertAlmostEqual(figure["value"], 20 * math.log10(ratio), delta=0.05)

    def test_what_was_played_is_what_is_looked_for(self):
        """A tone at the frequency told beside a stronger one; without it, the stronger."""
        body = waves.wav(waves.tones(((997, -20), (3000, -6)), 3, noise_dbfs=-100))
        capture = self.daemon.upload(body).json["id"]
        signal = {"name": "tone", "parameters": {"frequency_hz": 997}}
        for told, want in ((signal, 997), (None, 3000)):
            order = {"capture": capture, "measurement": "distortion", "signal": told}
            answer = self.daemon.post_json("/v1/analyses", order, Prefer="wait=30")
            result = self.daemon.get(answer.json["links"]["result"]).json
            figures = result["channels"][0]["figures"]
            self.assertAlmostEqual(figures["fundamental_frequency"]["value"], want, delta=0.01)

    def test_curve_of_bands_has_uneven_x(self):
        capture = self.upload(self.render("multitone", {}), "multitone", {})
        result = self.measure(capture)
        (name,) = set(result["channels"][0]["series"]) - {"spectrum"}
        path = f"/v1/analyses/{result['analysis']}/result/series/{name}?channel=1"
        curve = self.daemon.get(path).json
        x = curve["x"]["values"]
        self.assertEqual(len(x), result["channels"][0]["series"][name]["points"])
        steps = {round(b / a, 2) for a, b in zip(x, x[1:])}
        self.assertTrue(all(1.1 < step < 1.4 for step in steps), x)  # third-octaves
        cut = self.daemon.get(path + "&from=100&to=1000").json
        self.assertEqual(cut["x"]["values"], [hz for hz in x if 100 <= hz <= 1000])
        thin = self.daemon.get(path + "&points=4").json
        self.assertEqual(len(thin["x"]["values"]), 4)
        lines = self.daemon.get(path, Accept="text/csv").body.decode().split("\r\n")
        self.assertEqual(len(lines), len(x) + 2)


if __name__ == "__main__":
    harness.main()
