"""Checks: whether a row from elsewhere can be what it says it is, before any is written. ValueError says why not.

What SQLite's strict tables see by themselves (a wrong type) is left to them.
"""
from __future__ import annotations

import json
import re
from datetime import date, datetime
from typing import Any, Iterable, Mapping, Sequence

from creaseside import rows
from creaseside.ball import FRONT_LEG_ACTIONS, VERDICTS
from kiosk.faults import Fault
from kiosk.logbook import people
from kiosk.logbook.writing import BLOCKS, SOURCES
from kiosk.sources import jpeg

ID = re.compile(r"[ps]-[0-9a-z][0-9a-z-]{0,60}")
LONGEST = 1 << 20           # characters of a text that is no track
MOST_FRAMES = 20_000        # of a track: 80 s at 240 frames a second
LARGEST_PX = 10_000
TYPES = {"TEXT": str, "INTEGER": int, "REAL": (int, float), "BLOB": bytes}
NEWER = ("faces",)          # columns with a default, which an older program's rows have not
JSON = {"flags": list, "not_measured": dict, "marks": dict, "lens": dict, "models": dict, "settings": dict}
TIMES = ("utc", "started_utc", "ended_utc", "stopped_utc", "created_utc", "made_utc", "thrown_utc")
DAYS = ("given_on", "until", "keep_until", "measured_on", "height_on")
WORDS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("player", "arm"): people.ARMS, ("ball", "arm"): people.ARMS, ("consent", "may_keep"): people.KEEP,
    ("consent", "role"): people.ROLES, ("consent", "faces"): people.FACES, ("block", "kind"): BLOCKS,
    ("ball", "source"): SOURCES, ("ball", "verdict"): VERDICTS, ("ball", "front_leg_action"): FRONT_LEG_ACTIONS}


def row(table: str, given: Mapping[str, Any]) -> None:
    for name, value in given.items():
        if isinstance(value, str) and len(value) > LONGEST:
            raise ValueError(f"a {name} of {len(value)} letters")
        if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63:
            raise ValueError(f"a {name} that is no number of a log")
        if value is not None and name in TIMES:
            datetime.fromisoformat(value)
        if value is not None and name in DAYS:
            date.fromisoformat(value)
        if value is not None and (kind := JSON.get(name)) and not isinstance(json.loads(value), kind):
            raise ValueError(f"{name} that is none")
        if value is not None and (table, name) in WORDS and value not in WORDS[table, name]:
            raise ValueError(f"a {name} {value!r}")
    if table in ("player", "session") and not ID.fullmatch(given["id"]):
        raise ValueError(f"an id {given['id']!r}")
    MORE.get(table, lambda given: None)(given)


def _player(given: Mapping[str, Any]) -> None:
    try:
        if people.shown_name(given["shown_name"]) != given["shown_name"]:
            raise ValueError("a name that is not as names are kept")
        if given["age_group"] is not None:
            people.age_group(given["age_group"])
    except Fault as e:
        raise ValueError(f"{e.asked}: {e.found}") from e


def _ball(given: Mapping[str, Any]) -> None:
    known = {name: None for name in rows.COLUMNS}
    rows.from_row(known | dict(given))
    if not (isinstance(given["number"], int) and 1 <= given["number"] <= 1_000_000):
        raise ValueError(f"a ball of number {given['number']!r}")
    if not 0 <= given["quality"] <= 1:
        raise ValueError(f"a quality of {given['quality']}")


def _trace(given: Mapping[str, Any]) -> None:
    shape = json.loads(given["shape"])
    if given["dtype"] != rows.DTYPE or len(shape) != 3 or not 0 < shape[0] <= MOST_FRAMES:
        raise ValueError(f"a track of shape {shape}")
    poses = rows.unpack(given)
    if not len(poses) == len(given["t_ns"]) / 8 == len(given["frame"]) / 8:
        raise ValueError("a track whose frames and times differ")


def clip(given: Mapping[str, Any]) -> None:
    """A clip's row in a parcel: its frames' times are a list of ns."""
    t_ns = given["t_ns"]
    if not isinstance(t_ns, list) or not all(isinstance(t, int) and abs(t) < 1 << 63 for t in t_ns):
        raise ValueError("a clip without the times of its frames")
    if not 0 < len(t_ns) == given["frames"] <= MOST_FRAMES:
        raise ValueError("a clip whose frames and times differ")
    if not re.fullmatch(r"ball-[0-9]{1,12}\.avi", given["file"]):
        raise ValueError(f"a clip {given['file']!r}")
    if not all(isinstance(given[n], int) and 0 < given[n] <= LARGEST_PX for n in ("width_px", "height_px")):
        raise ValueError("a clip of no such size")


def pictures(given: Mapping[str, Any], frames: Iterable[bytes]) -> None:
    """Each of the clip's frames is a JPEG of the size that its row says, and there are as many."""
    n, size = 0, (given["width_px"], given["height_px"])
    for n, frame in enumerate(frames, 1):
        if jpeg.size_px(frame) != size:
            raise ValueError(f"frame {n} of {given['file']} is no picture of {size[0]} x {size[1]}")
    if n != given["frames"]:
        raise ValueError(f"{given['file']} has {n} frames, not {given['frames']}")


def typed(columns: Sequence[tuple[str, str, bool]], given: Mapping[str, Any]) -> None:
    """columns: (name, SQLite's type, whether it must have a value). What has no column here is passed over."""
    for name, kind, needed in columns:
        value = given.get(name)
        if value is None:
            if needed and not (name in NEWER and name not in given):
                raise ValueError(f"no {name}")
        elif not isinstance(value, TYPES[kind]) or isinstance(value, bool):
            raise ValueError(f"a {name} that is {type(value).__name__}")


MORE = {"player": _player, "ball": _ball, "trace": _trace}
