#!/usr/bin/python3
"""Uploads recordings to a residuumd, has them measured and prints the figures.

    measure.py [--server URL] [--signal SIGNAL] [--measure NAME]... [--settings JSON]
               [--floor FILE] [--json] FILE...

SIGNAL is what was played: the name of a test signal (multitone), or JSON with its parameters
({"name":"twin-tone","parameters":{"kind":"din"}}). Without --measure a recording is measured
by what the daemon suggests for it. Needs Python 3.11 and nothing else; copy it where you like.
Exit status: 0 all measured, 1 at least one file could not be measured, 2 wrong usage, 3 the
daemon cannot be reached.
"""

import argparse
import http.client
import json
import math
import os
import socket
import stat
import sys
import time
import urllib.parse

PIECE_BYTES = 256 * 1024
WAIT_S = 30  # the daemon answers a waiting question after this at the latest
COLUMNS = 2  # channels side by side
ROWS = 40  # of a list; --json has them all

REASONS = {
    "no_calibration": "needs a calibration in volts",
    "digital_silence": "the channel is silent",
    "below_noise": "below the noise",
    "above_band": "above the band",
    "not_enough_data": "recording too short",
    "no_reference": "needs a reference recording",
    "not_determinable": "cannot be told from this recording",
}


class Refused(Exception):
    """The daemon answered with a problem, or a file cannot be read; the text is what to tell
    the user."""


class Unreachable(Exception):
    """No daemon, or it went away; the text says what to do."""


class Server:
    def __init__(self, url):
        parts = urllib.parse.urlsplit(url if "//" in url else "http://" + url)
        if parts.scheme != "http" or not parts.hostname:
            raise ValueError(f"--server {url}: not of the form http://ADDRESS:PORT")
        self.url = f"http://{parts.netloc}"
        self.host, self.port = parts.hostname, parts.port or 80

    def ask(self, method, path, body=None, headers=None):
        """One request; gives the JSON of the answer, or raises Refused or Unreachable."""
        connection = http.client.HTTPConnection(self.host, self.port, timeout=WAIT_S + 30)
        try:
            try:
                connection.request(method, path, body=body, headers=headers or {})
            except (BrokenPipeError, ConnectionResetError):
                pass  # refused before the whole body was read: the answer says why
            answer = connection.getresponse()
            return self.understand(answer, answer.read())
        except (ConnectionRefusedError, socket.gaierror) as error:
            raise Unreachable(
                f"No daemon answers at {self.url} ({describe(error)}). Start residuumd, "
                "which\n  sh api-examples/first-run.sh\n"
                "builds and starts, or name the right one with --server URL."
            ) from error
        except (OSError, http.client.HTTPException) as error:
            raise Unreachable(
                f"The daemon at {self.url} broke off ({describe(error)}). What it had "
                "acknowledged is kept and goes on when it is started again."
            ) from error
        finally:
            connection.close()

    @staticmethod
    def understand(answer, text):
        try:
            content = json.loads(text)
        except ValueError:
            content = {}
        if answer.status < 400 and content:
            return content
        detail = content.get("detail") or f"an answer that is no JSON: {text[:80]!r}"
        field = f", field {content['field']}" if content.get("field") else ""
        code = content.get("code", "no code")
        raise Refused(f"{detail} ({answer.status} {code}{field})")


def describe(error):
    return str(error) or type(error).__name__


def body_pieces(file, size, name):
    """The file in pieces, with progress where standard error is a terminal."""
    show = sys.stderr.isatty()
    sent = 0
    while piece := file.read(PIECE_BYTES):
        yield piece
        sent += len(piece)
        if show:
            part = 100 * sent // size if size else 100
            print(f"\r{name}: {part:3d} % of {size / 1e6:.1f} MB sent", end="", file=sys.stderr)
    if show:
        print("\r\033[K", end="", file=sys.stderr)


def opened(path):
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            raise Refused("not a file")
        return open(path, "rb")
    except OSError as error:
        raise Refused(describe(error)) from error


def upload(server, path, signal=None):
    name = os.path.basename(path)
    with opened(path) as file:
        size = os.fstat(file.fileno()).st_size
        limit = server.ask("GET", "/v1/")["limits"].get("upload_bytes")
        if limit and size > limit:
            raise Refused(
                f"{size} bytes are more than the {limit} bytes that this daemon takes; "
                "it was started with a lower --max-upload"
            )
        query = {"name": name} | ({"signal": json.dumps(signal)} if signal else {})
        return server.ask(
            "POST",
            "/v1/captures?" + urllib.parse.urlencode(query),
            body=body_pieces(file, size, name),
            headers={"Content-Length": str(size), "Content-Type": "application/octet-stream"},
        )


def wait(server, analysis):
    """Asks until the analysis has ended; the daemon holds each question back up to WAIT_S."""
    show = sys.stderr.isatty()
    while analysis["state"] in ("queued", "running"):
        asked = time.monotonic()
        analysis = server.ask(
            "GET", analysis["links"]["self"], headers={"Prefer": f"wait={WAIT_S}"}
        )
        if show and "progress" in analysis:
            print(f"\r{100 * analysis['progress']:3.0f} % done", end="", file=sys.stderr)
        if analysis["state"] in ("queued", "running") and time.monotonic() - asked < 1:
            time.sleep(1)
    if show:
        print("\r\033[K", end="", file=sys.stderr)
    if analysis["state"] != "done":
        problem = analysis.get("problem", {})
        raise Refused(
            f"{problem.get('detail', 'no reason given')} "
            f"({analysis['state']} {problem.get('code', '')}, {analysis['id']})"
        )
    return analysis


def looked_at(server, capture):
    """The capture once its health has been looked at: then the daemon suggests."""
    while capture["health"]["state"] not in ("done", "failed"):
        time.sleep(0.1)
        capture = server.ask("GET", capture["links"]["self"])
    return capture


def suggested(server, capture):
    names = [each["measurement"] for each in looked_at(server, capture)["suggested"]]
    return names or ["distortion"]


def measure(server, capture, measurement, settings, floor):
    """The result of one analysis; floor: id of the recorder on itself, or None."""
    order = {"capture": capture["id"], "measurement": measurement, "settings": settings}
    if floor:
        order["floor_capture"] = floor
    analysis = server.ask(
        "POST",
        "/v1/analyses",
        body=json.dumps(order),
        headers={"Content-Type": "application/json"},
    )
    try:
        analysis = wait(server, analysis)
    except Refused as error:
        found = server.ask("GET", capture["links"]["self"])["health"]["warnings"]
        raise Refused("\n  ".join([str(error), *map(warning_text, found)])) from error
    return server.ask("GET", analysis["links"]["result"])


def number_text(value, u95):
    """A value to the digits that its uncertainty leaves, with it."""
    if not u95:
        return f"{value:.7g}"
    decimals = 1 - math.floor(math.log10(u95))
    if decimals > 7:
        return f"{value:.10g} ± {u95:.1e}"
    decimals = max(decimals, 0)
    return f"{value:.{decimals}f} ± {u95:.{decimals}f}"


def figure_text(figure):
    unit = figure["unit"]
    if figure["value"] is not None and "bound" in figure:
        return f"{figure['bound'].replace('_', ' ')} {figure['value']:.6g} {unit}"
    if figure["value"] is not None:
        return f"{number_text(figure['value'], figure.get('u95'))} {unit}".rstrip()
    reason = REASONS.get(figure.get("reason"), figure.get("reason", "no reason given"))
    if figure.get("bound") is not None:
        return f"no worse than {figure['bound']:.6g} {unit} ({reason})"
    return f"— ({reason})"


def warning_text(warning):
    where = f" (channel {warning['channel']})" if warning.get("channel") else ""
    return f"warning {warning['code']}{where}: {warning['message']}"


def word_text(finding):
    if finding is None:
        return "—"
    if isinstance(finding, bool):
        return "yes" if finding else "no"
    return str(finding)


def table(rows):
    """Prints rows of texts as columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        print("  " + "   ".join(text.ljust(w) for text, w in zip(row, widths)).rstrip())


def print_figures(channels):
    names = list(channels[0]["figures"])
    rows = [["", *(f"channel {c['channel']}" for c in channels)]]
    spans = (c.get("span") for c in channels)
    rows.append(
        ["measured span", *(f"{s['start_s']:.2f} – {s['end_s']:.2f} s" if s else "—" for s in spans)]
    )
    rows += [[name, *(figure_text(c["figures"][name]) for c in channels)] for name in names]
    for name in channels[0].get("findings", {}):
        rows.append([name, *(word_text(c["findings"][name]) for c in channels)])
    table(rows)


def cell_text(value):
    if isinstance(value, float):
        return f"{value:.7g}"
    return word_text(value)


def list_columns(fields, rows):
    """The fields worth a column, each with that of its uncertainty: `u95_…` belongs to the
    one before it, and what no row has needs no column."""
    columns = []
    for field in fields:
        name = field["name"]
        if name.startswith("u95") and columns:
            columns[-1] = (columns[-1][0], name)
        elif any(row[name] is not None for row in rows):
            columns.append((name, None))
    return columns


def print_list(listed, channel):
    rows = channel["lists"][listed["name"]]
    columns = list_columns(listed["fields"], rows)
    texts = [[name for name, _ in columns]]
    for row in rows[:ROWS]:
        texts.append(
            [
                number_text(row[name], row[u95])
                if u95 and row[name] is not None
                else cell_text(row[name])
                for name, u95 in columns
            ]
        )
    print(f"  {listed['name']} of channel {channel['channel']}" + ("" if rows else ": none"))
    if rows:
        table(texts)
    if len(rows) > ROWS:
        print(f"  … and {len(rows) - ROWS} more")
    print()


def format_text(capture):
    form = capture["format"]
    if not form:
        return "a format that could not be read in time"
    length = form.get("duration_s")
    return (
        f"{form['container']} {form['encoding']}, {form['sample_rate_hz']} Hz, "
        f"{form['channels']} channel{'s' if form['channels'] > 1 else ''}"
        + (f", {length:.2f} s" if length is not None else "")
    )


def print_result(path, capture, result, described):
    """`described`: what GET /v1/measurements/NAME says of the measurement."""
    print(f"{path}: {format_text(capture)}")
    print(f"  {result['measurement']}, {result['analysis']} of {capture['id']}\n")
    channels = result["channels"]
    for first in range(0, len(channels), COLUMNS):
        print_figures(channels[first : first + COLUMNS])
        print()
    for channel in channels:
        for listed in described["lists"]:
            print_list(listed, channel)
    for warning in result["warnings"]:
        print(f"  {warning_text(warning)}\n")


def described(server, measurement):
    return server.ask("GET", "/v1/measurements/" + urllib.parse.quote(measurement, safe=""))


def object_of(text):
    content = json.loads(text)
    if not isinstance(content, dict):
        raise ValueError("not an object")
    return content


def signal_of(text):
    return object_of(text) if text.startswith("{") else {"name": text}


def arguments():
    parser = argparse.ArgumentParser(
        description="Uploads recordings, has them measured and prints the figures.",
        epilog="A value is followed by ± its uncertainty at 95 % coverage.",
    )
    parser.add_argument(
        "--server",
        default=os.environ.get("RESIDUUM_SERVER", "http://127.0.0.1:8737"),
        help="the daemon's address (default: $RESIDUUM_SERVER or %(default)s)",
    )
    parser.add_argument("--signal", metavar="SIGNAL",
                        help="what was played: a signal's name, or JSON with its parameters")
    parser.add_argument("--measure", action="append", default=[], metavar="NAME",
                        help="which measurement; may be repeated (default: what the daemon "
                             "suggests for the recording)")
    parser.add_argument("--settings", default="{}", metavar="JSON",
                        help="settings, for example '{\"frequency_hz\":997}'")
    parser.add_argument("--floor", metavar="FILE",
                        help="a recording of the recorder on itself: figures near it are marked")
    parser.add_argument("--json", action="store_true",
                        help="print the results as JSON, one a line")
    parser.add_argument("files", nargs="+", metavar="FILE", help="a recording")
    options = parser.parse_args()
    try:
        options.settings = object_of(options.settings)
    except ValueError as error:
        parser.error(f"--settings is no JSON object: {error}")
    try:
        options.signal = signal_of(options.signal) if options.signal else None
    except ValueError as error:
        parser.error(f"--signal is neither a name nor a JSON object: {error}")
    try:
        options.server = Server(options.server)
    except ValueError as error:
        parser.error(str(error))
    return options


def measure_file(options, path, floor):
    """Measures one file and prints what comes out."""
    server = options.server
    capture = upload(server, path, options.signal)
    for name in options.measure or suggested(server, capture):
        result = measure(server, capture, name, options.settings, floor)
        if options.json:
            print(json.dumps(result, ensure_ascii=False))
            continue
        # Health has ended before: the format is now known for certain.
        capture = server.ask("GET", capture["links"]["self"])
        print_result(path, capture, result, described(server, name))


def main():
    options = arguments()
    status = 0
    floor = None
    path = options.floor
    try:
        if options.floor:
            floor = upload(options.server, options.floor, options.signal)["id"]
        for path in options.files:
            try:
                measure_file(options, path, floor)
            except Refused as error:
                print(f"{path}: {error}", file=sys.stderr)
                status = 1
    except Refused as error:
        print(f"{path}: {error}", file=sys.stderr)
        return 1
    except Unreachable as error:
        print(f"{path}: {error}", file=sys.stderr)
        return 3
    return status


def run(program):
    """Ends with the exit status that `program` gives, as a shell expects it."""
    try:
        sys.exit(program())
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:  # whoever read the table has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)


if __name__ == "__main__":
    run(main)
