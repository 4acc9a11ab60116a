"""The shapes of the answers that the interface documents: every key, its type, no other key.

A shape is a type, a regular expression, a set of values, a list of one shape, a dict of
shapes (keys ending in ? may be missing), or a function that is true for a good value.
"""

import re

TIME = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")
SHA256 = re.compile(r"^[0-9a-f]{64}$")
CAPTURE_ID = re.compile(r"^cap_[a-z2-7]{20}$")
ANALYSIS_ID = re.compile(r"^ana_[a-z2-7]{20}$")
PATH = re.compile(r"^/v1/")


def number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def number_or_null(value):
    return value is None or number(value)


def text_or_null(value):
    return value is None or isinstance(value, str)


def whole(value):
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def anything(value):
    del value
    return True


WARNING = {"code": str, "message": str, "channel?": whole}
FORMAT = {
    "container": {"wav", "rf64", "bw64", "w64", "aiff", "caf", "flac"},
    "encoding": {"pcm_16", "pcm_24", "pcm_32", "float_32", "float_64"},
    "sample_rate_hz": whole,
    "channels": whole,
    "frames": whole,
    "duration_s": number,
}
CAPTURE = {
    "id": CAPTURE_ID,
    "name": str,
    "note": str,
    "pinned": bool,
    "tester": str,
    "received": TIME,
    "bytes": whole,
    "sha256": SHA256,
    "audio": {"present", "missing", "changed"},
    "format": FORMAT,
    "warnings": [WARNING],
    "links": {"self": PATH, "audio": PATH, "analyses": PATH},
}
# of an upload whose inspection failed
CAPTURE_UNSEEN = {**CAPTURE, "format": {None}}
ANALYSIS_BASE = {
    "id": ANALYSIS_ID,
    "state": str,
    "measurement": str,
    "capture": CAPTURE_ID,
    "floor_capture?": CAPTURE_ID,
    "settings": dict,
    "tester": str,
    "created": TIME,
}
ANALYSIS_PROBLEM = {"code": str, "title": str, "detail": str, "field?": str}
ANALYSIS = {
    "queued": {**ANALYSIS_BASE, "position": whole, "links": {"self": PATH, "capture": PATH}},
    "running": {
        **ANALYSIS_BASE,
        "started": TIME,
        "progress": lambda value: number(value) and 0 <= value <= 1,
        "links": {"self": PATH, "capture": PATH},
    },
    "done": {
        **ANALYSIS_BASE,
        "started": TIME,
        "finished": TIME,
        "links": {"self": PATH, "result": PATH, "capture": PATH},
    },
    "failed": {
        **ANALYSIS_BASE,
        "started": TIME,
        "finished": TIME,
        "problem": ANALYSIS_PROBLEM,
        "links": {"self": PATH, "capture": PATH},
    },
    "cancelled": {
        **ANALYSIS_BASE,
        "started?": TIME,
        "finished": TIME,
        "links": {"self": PATH, "capture": PATH},
    },
}
REASON = {
    "no_calibration", "digital_silence", "below_noise", "above_band", "not_enough_data",
    "no_reference", "not_determinable",
}
AXIS = {"name": str, "unit": str}
CAPTURE_OF_RESULT = {
    "id": CAPTURE_ID, "sha256": SHA256, "sample_rate_hz": whole, "frames": whole,
}
RESULT = {
    "analysis": ANALYSIS_ID,
    "measurement": str,
    "engine": {"name": {"residuum"}, "version": re.compile(r"^\d+\.\d+\.\d+$")},
    "capture": CAPTURE_OF_RESULT,
    "floor_capture?": CAPTURE_OF_RESULT,
    "settings": dict,
    "links": {"series": str},
    "channels": list,
    "warnings": [WARNING],
}
CHANNEL = {
    "channel": whole,
    "span": {"start_s": number, "end_s": number},
    "figures": dict,
    "findings": dict,
    "lists": dict,
    "series": dict,
}
FIGURE_WITH_VALUE = {"value": number, "unit": str, "u95": number_or_null}
FIGURE_BOUND = {
    "value": number, "unit": str, "u95": {None}, "bound": {"at_most", "at_least"},
}
FIGURE_WITHOUT = {"value": {None}, "unit": str, "reason": REASON, "bound?": number}
SERIES_OF_RESULT = {
    "points": whole, "x": AXIS, "y": AXIS, "resolution_bandwidth_hz?": number,
}
VALUES = {**AXIS, "values": list}
SERIES = {
    "name": str, "channel": whole, "x": VALUES, "y": VALUES,
    "resolution_bandwidth_hz?": number,
}
SETTING = {
    "name": str, "type": str, "unit": text_or_null, "default": anything,
    "minimum": number_or_null, "maximum": number_or_null,
    "choices": lambda value: value is None or isinstance(value, list), "meaning": str,
}
MEASUREMENT = {
    "name": str,
    "summary": str,
    "stimulus": str,
    "settings": [SETTING],
    "figures": [{
        "name": str, "unit": str, "definition": str, "source": str,
        "better": {"lower", "higher", "none"}, "floor": {"noise", "harmonic", "none"},
    }],
    "findings": [{"name": str, "type": str, "definition": str}],
    "lists": [{
        "name": str, "definition": str, "fields": [{"name": str, "type": str, "unit": text_or_null}],
    }],
    "series": [{"name": str, "definition": str, "x": AXIS, "y": AXIS}],
    "links?": dict,
}
SIGNAL = {
    "name": str, "summary": str, "parameters": [SETTING], "formats": [str], "links?": dict,
}
HEALTH = {
    "alive": {True}, "ready": bool,
    "queue": {"waiting": whole, "running": whole},
    "workers": {"alive": whole, "busy": whole},
    "free_disk_bytes": whole,
}


def differences(value, shape, where="answer"):
    """Sentences on what differs; empty where the value has the shape."""
    if isinstance(shape, dict):
        return dict_differences(value, shape, where)
    if isinstance(shape, list):
        if not isinstance(value, list):
            return [f"{where} is {value!r}, not a list"]
        return [d for i, item in enumerate(value)
                for d in differences(item, shape[0], f"{where}[{i}]")]
    if isinstance(shape, re.Pattern):
        good = isinstance(value, str) and shape.search(value)
    elif isinstance(shape, set):
        good = value in shape
    elif isinstance(shape, type):
        good = isinstance(value, shape)
    else:
        good = shape(value)
    return [] if good else [f"{where} is {value!r}, not {shape}"]


def dict_differences(value, shape, where):
    if not isinstance(value, dict):
        return [f"{where} is {value!r}, not an object"]
    found = []
    names = {name.rstrip("?") for name in shape}
    found += [f"{where} has the undocumented key {name}" for name in sorted(set(value) - names)]
    for name, part in shape.items():
        plain = name.rstrip("?")
        if plain in value:
            found += differences(value[plain], part, f"{where}.{plain}")
        elif plain == name:
            found.append(f"{where} lacks {name}")
    return found


def check(case, value, shape):
    """Fails the test case with every difference at once."""
    found = differences(value, shape)
    case.assertEqual(found, [], "\n".join(found))
