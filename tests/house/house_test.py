#!/usr/bin/python3
"""The promises of the plan that no compiler checks: which folder may include which, what each
program may be linked with, and that the unit file holds."""

import os
import pathlib
import re
import subprocess
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("RESIDUUM_BIN", ROOT / "build/release/bin"))

# folder → what it may include beside itself and libc
ANALYSIS = {"analysis/core", "analysis/dsp", "analysis/capture", "analysis/signals",
            "analysis/health", "analysis/measurements", "analysis/worker"}
SERVER = {"server/base", "server/store", "server/workers", "server/catalogue", "server/queue",
          "server/http", "server/control"}
ALLOWED = {
    "analysis/core": set(),
    "analysis/dsp": {"analysis/core", "fftw3.h"},
    "analysis/signals": {"analysis/core", "analysis/dsp"},
    "analysis/capture": {"analysis/core", "analysis/dsp", "sndfile.h", "FLAC"},
    "analysis/health": {"analysis/core", "analysis/dsp", "analysis/capture",
                        "analysis/signals"},
    "analysis/measurements": {"analysis/core", "analysis/dsp", "analysis/capture",
                              "analysis/signals"},
    "analysis/worker": ANALYSIS | {"jansson.h", "seccomp.h"},
    "server/base": set(),
    "server/store": {"server/base", "sqlite3.h", "jansson.h", "gnutls"},
    "server/workers": {"server/base", "jansson.h", "analysis/worker/wire.h"},
    "server/catalogue": {"server/base", "jansson.h"},
    "server/control": {"server/base", "server/store"},
    "server/queue": {"server/base", "server/store", "server/workers"},
    "server/http": {"server/base", "server/store", "server/queue", "server/catalogue",
                    "microhttpd.h", "jansson.h"},
    "server": SERVER | {"jansson.h"},
}
LIBRARIES = {"fftw3.h", "sndfile.h", "FLAC", "jansson.h", "seccomp.h", "sqlite3.h", "gnutls",
             "microhttpd.h"}
INCLUDE = re.compile(r'^\s*#\s*include\s+(?:"([^"]+)"|<([^>]+)>)', re.M)


def sources():
    for house in ("analysis", "server"):
        yield from (ROOT / house).rglob("*.[ch]")


class Includes(unittest.TestCase):
    def test_every_include_goes_down(self):
        own_includes = 0
        for path in sources():
            folder = str(path.parent.relative_to(ROOT))
            allowed = ALLOWED[folder] | {folder}
            for own, system in INCLUDE.findall(path.read_text(encoding="utf-8")):
                if own:
                    own_includes += 1
                    good = own in allowed or str(pathlib.PurePosixPath(own).parent) in allowed
                else:
                    library = system.split("/")[0]
                    good = library in allowed or library not in LIBRARIES  # else libc
                self.assertTrue(
                    good, f"{path.relative_to(ROOT)} may not include {own or system}")
        self.assertGreater(own_includes, 100)

    def test_no_file_is_longer_than_400_lines(self):
        for path in sources():
            with self.subTest(str(path.relative_to(ROOT))):
                self.assertLessEqual(len(path.read_text(encoding="utf-8").splitlines()), 400)


class Programs(unittest.TestCase):
    def needed(self, program):
        out = subprocess.run(["readelf", "-d", str(BIN / program)], check=True,
                             capture_output=True, text=True).stdout
        return {name.split(".so")[0] for name in re.findall(r"\(NEEDED\).*\[(.+)\]", out)}

    def test_daemon_links_no_analysis(self):
        libraries = self.needed("residuumd")
        self.assertFalse(libraries & {"libfftw3", "libsndfile", "libFLAC"}, libraries)
        self.assertTrue({"libmicrohttpd", "libsqlite3", "libjansson"} <= libraries, libraries)

    def test_worker_links_no_network_and_no_database(self):
        libraries = self.needed("residuum-worker")
        self.assertFalse(libraries & {"libmicrohttpd", "libsqlite3", "libgnutls"}, libraries)
        self.assertTrue({"libfftw3", "libsndfile", "libjansson"} <= libraries, libraries)


class Unit(unittest.TestCase):
    def test_unit_file_holds(self):
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", str(ROOT / "systemd/residuum.service")],
            capture_output=True, text=True, check=False)
        complaints = [line for line in done.stderr.splitlines()
                      if "residuum" in line and "is not executable" not in line]
        self.assertEqual(complaints, [])

    def test_unit_exposes_little(self):
        done = subprocess.run(
            ["systemd-analyze", "security", "--offline=true", "--threshold=15",
             str(ROOT / "systemd/residuum.service")],
            capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stdout[-300:])

    def test_unit_allows_what_workers_call(self):
        """The confinement's own calls, and those that it leaves to a worker."""
        groups, name = {}, None
        listing = subprocess.run(["systemd-analyze", "syscall-filter", "--no-pager"], check=True,
                                 capture_output=True, text=True).stdout
        for line in re.sub(r"\x1b\[[0-9;]*m", "", listing).splitlines():
            if line.startswith("@"):
                name = line.strip()
                groups[name] = set()
            elif name and line.startswith("    ") and not line.strip().startswith("#"):
                groups[name].add(line.strip())

        def expand(word):
            if not word.startswith("@"):
                return {word}
            return set().union(*(expand(inner) for inner in groups[word]))

        allowed = expand("@default")  # always: systemd.exec(5)
        unit = (ROOT / "systemd/residuum.service").read_text(encoding="utf-8")
        for words in re.findall(r"^SystemCallFilter=(.*)$", unit, re.M):
            calls = set().union(*(expand(word) for word in words.lstrip("~").split()))
            allowed = allowed - calls if words.startswith("~") else allowed | calls
        source = (ROOT / "analysis/worker/confine_calls.c").read_text(encoding="utf-8")
        harmless = source[source.index("harmless[]"):source.index("reaching_out[]")]
        needed = set(re.findall(r"SCMP_SYS\((\w+)\)", harmless)) | {
            "mmap", "mprotect", "tgkill", "openat", "prctl", "prlimit64", "setpriority",
            "rt_sigaction", "landlock_create_ruleset", "landlock_restrict_self", "seccomp"}
        self.assertGreater(len(needed), 40)
        self.assertEqual(needed - allowed, set())


if __name__ == "__main__":
    unittest.main()
