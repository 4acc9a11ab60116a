#!/usr/bin/python3
"""The interface's own description: well made (spectral), and true of every answer that the
other black-box programs got (ajv).

They record what they exchange with the daemon where RESIDUUM_RECORD says so, as it does when
ctest runs them; ctest runs them before this program.
"""

import fcntl
import json
import os
import pathlib
import shutil
import subprocess
import tempfile

import harness

HERE = pathlib.Path(__file__).resolve().parent
NODE = harness.ROOT / "build/node"  # shared by all builds
RECORDS = pathlib.Path(os.environ.get("RESIDUUM_RECORD", harness.BIN.parent / "exchanges"))
PACKAGE_FILES = ("package.json", "package-lock.json")
# At least so many programs record; that each operation was answered is checked one by one.
PROGRAMS_MIN = 15


def run(*command, **options):
    done = subprocess.run([str(word) for word in command], check=False, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **options)
    assert done.returncode == 0, f"{command[0]} ended with {done.returncode}:\n{done.stdout}"
    return done.stdout


def install_tools():
    """Spectral and ajv into the build folder, once for each lock file."""
    NODE.mkdir(parents=True, exist_ok=True)
    with open(NODE / "lock", "w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        done = NODE / "installed.json"
        wanted = (HERE / "package-lock.json").read_text(encoding="utf-8")
        if done.exists() and done.read_text(encoding="utf-8") == wanted:
            return
        for name in PACKAGE_FILES:
            shutil.copy(HERE / name, NODE / name)
        run("npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", cwd=NODE)
        done.write_text(wanted, encoding="utf-8")


class Description(harness.DaemonCase):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        install_tools()
        cls.answer = cls.daemon.get("/v1/openapi.json")
        cls.description = cls.answer.json
        cls.folder = tempfile.TemporaryDirectory(prefix="residuum-openapi-")
        cls.path = pathlib.Path(cls.folder.name, "openapi.json")
        cls.path.write_bytes(cls.answer.body)

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()
        super().tearDownClass()

    def test_it_is_the_same_each_time_and_tagged(self):
        self.assertEqual(self.answer.status, 200)
        self.assertEqual(self.answer.headers["content-type"], "application/json")
        again = self.daemon.get("/v1/openapi.json")
        self.assertEqual(again.body, self.answer.body)
        tag = self.answer.headers["etag"]
        self.assertRegex(tag, r'^"[!#-~]+"$')  # RFC 9110, 8.8.3: a strong tag
        known = self.daemon.get("/v1/openapi.json", If_None_Match=tag)
        self.assertEqual((known.status, known.body), (304, b""))
        self.assertEqual(self.daemon.get("/v1/").json["links"]["openapi"], "/v1/openapi.json")

    def test_spectral_finds_nothing(self):
        run(NODE / "node_modules/.bin/spectral", "lint", self.path.name, "--ruleset",
            HERE / "spectral.yaml", "--fail-severity", "hint", cwd=self.path.parent)

    def test_the_figures_of_a_result_are_those_of_the_catalogue(self):
        schemas = self.description["components"]["schemas"]
        for measurement in self.daemon.get("/v1/measurements").json["measurements"]:
            result = schemas[f"result_{measurement['name']}"]["properties"]
            figures = result["channels"]["items"]["properties"]["figures"]
            units = {name: figure["properties"]["unit"]["const"]
                     for name, figure in figures["properties"].items()}
            self.assertEqual(units, {f["name"]: f["unit"] for f in measurement["figures"]})
            self.assertEqual(sorted(figures["required"]), sorted(units))
            self.assertFalse(figures["additionalProperties"])

    def test_parameters_have_the_limits_that_are_kept(self):
        query = {parameter["name"]: parameter["schema"]
                 for parameter in self.description["paths"]["/v1/captures"]["get"]["parameters"]}
        highest = query["limit"]["maximum"]
        self.assertEqual(self.daemon.get(f"/v1/captures?limit={highest}").status, 200)
        self.check_problem(self.daemon.get(f"/v1/captures?limit={highest + 1}"), 422,
                           "out_of_range", "limit")
        self.assertEqual(highest, self.daemon.get("/v1/").json["limits"]["page_items"])

    def test_members_that_must_be_there_are_missed(self):
        order = self.description["paths"]["/v1/analyses"]["post"]["requestBody"]
        required = order["content"]["application/json"]["schema"]["required"]
        self.assertEqual(required, ["capture", "measurement"])
        for name in required:
            rest = {other: "x" for other in required if other != name}
            self.check_problem(self.daemon.post_json("/v1/analyses", rest), 422,
                               "missing_field", name)

    def validate(self, *records):
        """What validate.js says of recorded exchanges: whether all is well, and its words."""
        done = subprocess.run(["node", HERE / "validate.js", self.path, *records], check=False,
                              stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
                              env={**os.environ, "NODE_PATH": str(NODE / "node_modules")})
        return done.returncode == 0, done.stdout

    def test_validation_sees_what_is_not_described(self):
        health = {"alive": True, "ready": True, "queue": {"waiting": 0, "running": 0},
                  "workers": {"alive": 1, "busy": 0}, "free_disk_bytes": 1}
        good = {"method": "GET", "path": "/v1/health", "status": 200, "length": 1,
                "type": "application/json", "body": json.dumps(health)}
        wrong = {
            "must NOT have additional": {"body": json.dumps({**health, "more": 1})},
            "must be boolean": {"body": json.dumps({**health, "ready": 1})},
            "must have required property": {"body": json.dumps({"alive": True})},
            "status is not described": {"status": 418},
            "type text/html is not described": {"type": "text/html", "body": None},
            "neither method and path": {"path": "/v1/healthy"},
            "nor is the answer a problem": {"method": "PUT"},
        }
        record = self.path.parent / "record.jsonl"
        record.write_text(json.dumps(good) + "\n", encoding="utf-8")
        self.assertTrue(self.validate(record)[0])
        for words, change in wrong.items():
            with self.subTest(words):
                record.write_text(json.dumps({**good, **change}) + "\n", encoding="utf-8")
                valid, said = self.validate(record)
                self.assertFalse(valid, said)
                self.assertIn(words, said)

    def test_what_was_recorded_is_as_described(self):
        programs = {path.stem for path in HERE.glob("*_test.py")}
        built = (harness.BIN / "residuumd").stat().st_mtime
        recorded = [path for path in RECORDS.glob("*.jsonl")
                    if path.stem in programs and path.stat().st_mtime > built]
        self.assertGreaterEqual(
            len(recorded), PROGRAMS_MIN,
            f"too little of this build is recorded in {RECORDS}; have ctest run the programs")
        files = [path for path in recorded if path.stat().st_size > 0]
        valid, said = self.validate(*files)
        self.assertTrue(valid, said)
        self.check_coverage(json.loads(said)["seen"])

    def check_coverage(self, seen):
        """Each operation was answered, each way of success at least once."""
        for path, methods in self.description["paths"].items():
            for method, operation in methods.items():
                got = seen.get(f"{method.upper()} {path}", {})
                wanted = {status for status in operation["responses"] if status[0] in "23"}
                with self.subTest(f"{method} {path}"):
                    self.assertEqual(wanted - set(got), set())


if __name__ == "__main__":
    harness.main()
