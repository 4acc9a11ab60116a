#!/usr/bin/python3
"""What codes mean, at /v1/problems: every problem's type leads there."""

import harness


class Problems(harness.DaemonCase):
    def test_every_listed_problem_has_a_page_that_says_the_same(self):
        listed = self.daemon.get("/v1/problems").json["problems"]
        self.assertGreater(len(listed), 20)
        self.assertEqual(len({item["code"] for item in listed}), len(listed))
        for item in listed:
            with self.subTest(item["code"]):
                self.assertEqual(item["links"]["self"], f"/v1/problems/{item['code']}")
                self.assertEqual(self.daemon.get(item["links"]["self"]).json, item)

    def test_the_type_of_a_problem_leads_to_its_meaning(self):
        problem = self.daemon.get("/v1/captures?limit=0").json
        meaning = self.daemon.get(problem["type"]).json
        for member in ("code", "title", "status"):
            self.assertEqual(meaning[member], problem[member])

    def test_what_happens_only_inside_analyses_has_no_status(self):
        # RFC 9110, 15: statuses of errors are 400 to 599
        for item in self.daemon.get("/v1/problems").json["problems"]:
            with self.subTest(item["code"]):
                self.assertTrue(item["status"] is None or 400 <= item["status"] <= 599)
        self.assertIsNone(self.daemon.get("/v1/problems/worker_crashed").json["status"])

    def test_an_unknown_code_is_not_found(self):
        for code in ("none", "bad", "BAD_JSON", "bad_json%20"):
            with self.subTest(code):
                self.check_problem(self.daemon.get(f"/v1/problems/{code}"), 404, "not_found")


if __name__ == "__main__":
    harness.main()
