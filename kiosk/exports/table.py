"""Table: balls or frames as CSV or Parquet. Units stand in the columns' names, and in Parquet beside them too.

A ball's row is a row of the log's view `balls`: unrounded, with ids, without a name. A frame's row is one look of one
model at one frame. A CSV is for spreadsheets too, so text that one of them would take for a formula begins with an
apostrophe there (as OWASP's "CSV Injection" advises); Parquet holds it as it is.
"""
from __future__ import annotations

import csv
from pathlib import Path
from typing import Any, Iterable, Iterator, Mapping

from creaseside.pose import NAMES
from creaseside.stamps import NS
from kiosk.logbook import Reader, views
from kiosk.logbook.views import Column

FORMULA = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")     # a cell that begins so is run by spreadsheets, wide ones too
GROUP = 2000                                               # rows a Parquet row group

Row = Mapping[str, Any]

FRAME_HEAD = (
    Column("session", "text", "", "the session's id"),
    Column("number", "integer", "", "of the ball, 1-based in the session"),
    Column("player", "text", "", "the player's id; null: not known"),
    Column("model", "text", "", "light (live), heavy (measured) or second (at the landing)"),
    Column("frame", "integer", "", "the source's number of the frame"),
    Column("t_ns", "integer", "ns", "exposure, on the monotonic axis of that run"),
    Column("t_s", "real", "s", "the same on the axis of bfc_s, ffc_s and br_s; null where none of them is known"),
    Column("missing", "text", "", "why there is nobody in this frame; null where there is somebody"),
)
CHANNELS = (("x_px", "px", "to the right, from the picture's top-left corner"), ("y_px", "px", "down"),
            ("body_x_m", "m", "the model's own guess of the body, from the middle of the hips: to the right"),
            ("body_y_m", "m", "the same, down"), ("body_z_m", "m", "the same, away from the camera; coarse"),
            ("visibility", "0 to 1", "the model's word"))
FRAMES = FRAME_HEAD + tuple(Column(f"{name}_{channel}", "real", unit, meaning)
                            for name in NAMES for channel, unit, meaning in CHANNELS)


def balls(log: Reader, session: str | None, player: str | None) -> Iterator[Row]:
    yield from log.ball_rows(session, player)


def frames(log: Reader, session: str | None, player: str | None) -> Iterator[Row]:
    """Every look that the log has at these balls, ball by ball, model by model, in order of time."""
    for ball in log.ball_rows(session, player):
        zero_ns = clip_zero_ns(ball)
        for model, poses in sorted(log.traces(ball["id"]).items()):
            for pose in poses:
                t_ns = pose.stamp.t_ns
                head = (ball["session"], ball["number"], ball["player"], model, pose.stamp.frame, t_ns,
                        None if zero_ns is None else (t_ns - zero_ns) / NS, pose.missing)
                yield dict(zip((c.name for c in FRAMES), (*head, *_landmarks(pose))))


def clip_zero_ns(ball: Row) -> int | None:
    """Where the axis of the ball's own times begins, on the monotonic axis of its run; None where no moment is known.

    `thrown_ns` is the release, or where that was not seen the next best moment, as the kiosk logs it."""
    moment_s = next((ball[name] for name in ("br_s", "ffc_s", "bfc_s") if ball[name] is not None), None)
    return None if moment_s is None else ball["thrown_ns"] - round(moment_s * NS)


def to_csv(file: Path, columns: Iterable[Column], lines: Iterable[Row]) -> int:
    """UTF-8, a header, commas; empty where there is nothing. How many rows."""
    names, n = [c.name for c in columns], 0
    with file.open("w", encoding="utf-8", newline="") as f:
        write = csv.writer(f)
        write.writerow(names)
        for n, line in enumerate(lines, 1):
            write.writerow([safe(line[name]) for name in names])
    return n


def safe(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula. Numbers are numbers, with their sign."""
    return "'" + value if isinstance(value, str) and value.startswith(FORMULA) else value


def to_parquet(file: Path, columns: Iterable[Column], lines: Iterable[Row]) -> int:
    """Typed columns whose metadata has `unit` and `meaning`. How many rows."""
    import pyarrow as pa
    from pyarrow import parquet
    types = {"integer": pa.int64(), "real": pa.float64(), "text": pa.string()}
    schema = pa.schema([pa.field(c.name, types[c.type], metadata={"unit": c.unit, "meaning": c.meaning})
                        for c in columns])
    n, group = 0, []
    with parquet.ParquetWriter(file, schema, compression="zstd") as write:
        for n, line in enumerate(lines, 1):
            group.append({name: line[name] for name in schema.names})
            if len(group) == GROUP:
                write.write_table(pa.Table.from_pylist(group, schema))
                group = []
        if group or not n:
            write.write_table(pa.Table.from_pylist(group, schema))
    return n


ROWS = {"balls": (views.BALLS, balls), "frames": (FRAMES, frames)}
FORMATS = {"csv": to_csv, "parquet": to_parquet}


def _landmarks(pose) -> Iterator[float | None]:
    for xy, body, seen in zip(pose.xy_px.tolist(), pose.world_m.tolist(), pose.visibility.tolist()):
        for value in (*xy, *body):
            yield None if value != value else value
        yield None if pose.missing is not None else seen
