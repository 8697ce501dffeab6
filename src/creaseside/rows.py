"""Rows: a ball and its pose traces <-> plain table rows, both ways and without loss.

The columns come from the list of quantities, so that the table and the contract cannot drift apart. This room knows no
database and no file, and it rounds nothing: rows hold what was measured, the JSON for others is rounded on its way out.
"""
from __future__ import annotations

import json
import math
from typing import Any, Iterable, Mapping

import numpy as np

from creaseside import ball as balls
from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.pose import INDEX, NAMES, Pose
from creaseside.stamps import Stamp

MEASURES: Mapping[str, type] = {column: float for q in QUANTITIES for column in (q.name, q.name + "_sd")}
COLUMNS: Mapping[str, type] = {"arm": str, "front_leg_action": str, "quality": float, "flags": str,
                               "not_measured": str, "verdict": str, **MEASURES}
CHANNELS = ("x_px", "y_px", "x_m", "y_m", "z_m", "visibility")
UNITS = ("px", "px", "m", "m", "m", "0..1")
DTYPE, TIMES = "<f4", "<i8"     # little-endian whatever the machine: a log may be read on another one


def to_row(ball: Ball) -> dict[str, Any]:
    """The ball's own columns; null where not measured, the reasons as a JSON object under `not_measured`."""
    reasons = dict(ball.not_measured)
    row: dict[str, Any] = {}
    for q in QUANTITIES:
        v = ball.values[q.name]
        row[q.name] = float(v.value) if v else None
        row[q.name + "_sd"] = float(v.sd) if v and v.sd is not None and math.isfinite(v.sd) else None
        if not v:
            reasons[q.name] = v.reason or "not seen"
    return {"arm": ball.arm, "front_leg_action": ball.front_leg_action, "quality": float(ball.quality),
            "flags": _text(list(ball.flags)), "not_measured": _text(reasons), "verdict": ball.verdict} | row


def from_row(row: Mapping[str, Any]) -> Ball:
    """The ball that `to_row` was given. Columns that are not a ball's own are passed over. ValueError where a column holds
    what `to_row` never wrote: a log whose bytes rotted."""
    reasons, flags = _held(row, "not_measured", dict), _held(row, "flags", list)
    values = {}
    for q in QUANTITIES:
        value = row[q.name]
        values[q.name] = (Value.missing(reasons.get(q.name, "not seen")) if value is None
                          else Value(value, row[q.name + "_sd"]))
    others = {name: why for name, why in reasons.items() if name not in values or values[name]}
    return Ball(row["arm"], values, row["front_leg_action"], row["quality"], tuple(flags),
                row["verdict"], others)


def _held(row: Mapping[str, Any], column: str, kind: type) -> Any:
    try:
        held = json.loads(row[column])
    except ValueError:
        held = None
    if not isinstance(held, kind):
        raise ValueError(f"asked the column {column} of a ball as a JSON {kind.__name__}, found {row[column][:40]!r}")
    return held


def as_json(row: Mapping[str, Any]) -> dict[str, Any]:
    """The ball as others read it, from its row with `number`, `clip` (a file's name or None) and the two latenesses."""
    return balls.as_json(from_row(row), row["number"], row["clip"], row["release_to_verdict_s"],
                         row["release_to_cue_s"])


def counted(why: str) -> Ball:
    """A ball of which nothing is known but that it was bowled."""
    return Ball(None, {q.name: Value.missing(why) for q in QUANTITIES}, not_measured={"front_leg_action": why})


def pack(poses: Iterable[Pose]) -> dict[str, Any]:
    """Poses of one model, in order of time -> a row of arrays that says itself how it is to be read.

    data: (T, 33, 6) float32, landmarks as in `names`, channels as in `channels` with their `units`; NaN where not
    given. t_ns and frame: (T,) int64. missing: {index: why there was nobody in that frame}.
    """
    poses = list(poses)
    models = {p.model for p in poses}
    if len(models) != 1:
        raise ValueError(f"a trace is of one model, found {sorted(models) or 'no pose'}")
    data = np.stack([np.concatenate([p.xy_px, p.world_m, p.visibility[:, None]], axis=1) for p in poses])
    return {"model": models.pop(), "dtype": DTYPE, "shape": _text(list(data.shape)), "names": _text(NAMES),
            "channels": _text(CHANNELS), "units": _text(UNITS),
            "missing": _text({str(i): p.missing for i, p in enumerate(poses) if p.missing is not None}),
            "t_ns": times([p.stamp.t_ns for p in poses]), "frame": times([p.stamp.frame for p in poses]),
            "data": data.astype(DTYPE).tobytes()}


def unpack(row: Mapping[str, Any]) -> tuple[Pose, ...]:
    """The poses that `pack` was given, also from a row whose landmarks stand in another order. Arrays read-only."""
    given = np.frombuffer(row["data"], row["dtype"]).reshape(json.loads(row["shape"]))
    data = np.full((len(given), len(NAMES), len(CHANNELS)), np.nan, np.float32)
    names, channels = json.loads(row["names"]), json.loads(row["channels"])
    known = [i for i, name in enumerate(names) if name in INDEX]
    at = np.ix_(range(len(given)), known, [channels.index(c) for c in CHANNELS])
    data[:, [INDEX[names[i]] for i in known]] = given[at]
    missing = json.loads(row["missing"])
    stamps = zip(np.frombuffer(row["frame"], TIMES).tolist(), np.frombuffer(row["t_ns"], TIMES).tolist())
    return tuple(Pose(Stamp(*stamp), one[:, :2], one[:, 2:5], one[:, 5], row["model"], missing.get(str(i)))
                 for i, (stamp, one) in enumerate(zip(stamps, data)))


def times(ns: Iterable[int]) -> bytes:
    """Integers (nanoseconds or frame numbers) -> little-endian int64."""
    return np.fromiter(ns, TIMES).tobytes()


def untimes(blob: bytes) -> tuple[int, ...]:
    return tuple(np.frombuffer(blob, TIMES).tolist())


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
