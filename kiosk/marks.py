"""Marks: the file that says where the named marks of the pitch lie in the picture, read into a plain frozen object.

Everything that a look at the file can tell is told at once, in one line. Whether the marks can be a picture of a pitch
(a mark that is far off, left and right swapped) is geometry, and the engine's to say: `solved` asks it.
"""
from __future__ import annotations

import difflib
import math
import re
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Iterable, Mapping

from creaseside.pitch import MARKS
from kiosk.faults import Fault

if TYPE_CHECKING:
    from creaseside.camera import Camera, Paint, Pixel

LENS = {"focal_px": None, "k1": 0.0, "k2": 0.0}      # optional keys of [camera] and what holds without them
TABLES = ("camera", "marks", "measured")
AGAIN = "place the marks again in a picture of the net and put the file right (README, marks)"


@dataclass(frozen=True, slots=True)
class Marks:
    """Pixels from the top-left corner of the picture; places in metres of the pitch frame.

    measured: (pixel, place) of points that somebody measured besides the named ones. focal_px None: to be solved.
    paint: creases with points along them, read off a picture (see `paint`); never in a file that a hand made.
    """

    width_px: int
    height_px: int
    marks_px: Mapping[str, Pixel]
    measured: tuple[tuple[Pixel, tuple[float, float, float]], ...] = ()
    focal_px: float | None = None
    k1: float = 0.0
    k2: float = 0.0
    paint: Paint = ()

    def solved(self, where: str = "the marks") -> Camera:
        """The camera that sees the marks there; Fault where none does. `where`: the file, for whoever reads the fault.
        """
        from creaseside.camera import MarksFault
        try:
            return self.camera()
        except MarksFault as e:
            raise Fault(f"a camera that fits {where}", str(e), AGAIN) from e

    def camera(self) -> Camera:
        """The same; camera.MarksFault where no camera sees them there."""
        return _solved(tuple(self.marks_px.items()), self.measured, self.width_px, self.height_px, self.focal_px, self.k1, self.k2,
                       self.paint)


@lru_cache(maxsize=4)
def _solved(marks_px: tuple[tuple[str, Pixel], ...], *given: Any) -> Camera:
    """Who draws and measures asks for the same camera again."""
    from creaseside import camera
    return camera.solve(dict(marks_px), *given)


def read(path: Path, size_px: tuple[int, int] | None = None) -> Marks:
    """The marks in a file, for a source of `size_px` (width, height). Fault with all that is wrong with it."""
    asked = f"the marks in {path}"
    try:
        text = path.read_text("utf-8")
        marks, faults = parse(tomllib.loads(text), size_px)
    except FileNotFoundError as e:
        raise Fault(asked, "no such file", "write the marks into a file (README, marks) and give --marks FILE") from e
    except OSError as e:
        raise Fault(asked, e.strerror or str(e), "make the file readable") from e
    except tomllib.TOMLDecodeError as e:
        raise Fault(asked, _toml_fault(text, e), AGAIN) from e
    except UnicodeDecodeError as e:
        raise Fault(asked, "a file that is not text", AGAIN) from e
    if faults:
        raise Fault(asked, "; ".join(faults), AGAIN)
    return marks


def parse(given: Mapping[str, Any], size_px: tuple[int, int] | None = None) -> tuple[Marks | None, list[str]]:
    """The marks in a TOML document and no faults, or None and the faults, one sentence each."""
    faults = [_unknown("table", key, TABLES) for key in given if key not in TABLES]
    width, height, lens = _camera(given.get("camera"), size_px, faults)
    marks = _marks(given.get("marks"), width, height, faults)
    measured = _measured(given.get("measured", []), width, height, faults)
    if faults:
        return None, faults
    return Marks(width, height, MappingProxyType(marks), tuple(measured), **lens), []


def to_toml(marks: Marks) -> str:
    """The file's text, which `read` reads back to the same marks."""
    lines = ["[camera]", f"width_px = {marks.width_px}", f"height_px = {marks.height_px}"]
    lines += [f"{key} = {float(value)!r}" for key, unset in LENS.items() if (value := getattr(marks, key)) != unset]
    lines += ["", "[marks]", *(f"{name} = [{float(x)!r}, {float(y)!r}]" for name, (x, y) in marks.marks_px.items())]
    for pixel, place in marks.measured:
        lines += ["", "[[measured]]", f"pixel = {[float(v) for v in pixel]}", f"pitch_m = {[float(v) for v in place]}"]
    return "\n".join(lines) + "\n"


def to_row(marks: Marks) -> dict[str, Any]:
    """As the log keeps it, which `of_row` reads back to the same marks."""
    placed = {"marks": dict(marks.marks_px), "measured": marks.measured} | ({"paint": marks.paint} if marks.paint else {})
    return {"width_px": marks.width_px, "height_px": marks.height_px, "lens": {key: getattr(marks, key) for key in LENS}, "marks": placed}


def of_row(row: Mapping[str, Any]) -> Marks:
    placed, lens = row["marks"], {key: unset if row["lens"][key] is None else row["lens"][key] for key, unset in LENS.items()}
    return Marks(row["width_px"], row["height_px"], {name: tuple(pixel) for name, pixel in placed["marks"].items()},
                 tuple((tuple(pixel), tuple(place)) for pixel, place in placed["measured"]), **lens,
                 paint=tuple((name, tuple(map(tuple, points))) for name, points in placed.get("paint", ())))


def _camera(table: Any, size_px: tuple[int, int] | None, faults: list[str]) -> tuple[int | None, int | None, dict]:
    """Width, height (None where they are not given rightly) and the lens."""
    if not isinstance(table, Mapping):
        faults.append("no [camera] with width_px and height_px")
        return None, None, {}
    faults += [_unknown("[camera]", key, ("width_px", "height_px", *LENS)) for key in table
               if key not in ("width_px", "height_px", *LENS)]
    size: list[int | None] = []
    for key in ("width_px", "height_px"):
        good = _numbers([table.get(key)], 1) and table[key] == int(table[key]) and table[key] > 0
        if not good:
            faults.append(f"{key} = {table[key]!r} is not a size in pixels" if key in table
                          else f"no {key} in [camera]")
        size.append(int(table[key]) if good else None)
    if size_px and None not in size and tuple(size) != tuple(size_px):
        faults.append(f"marks placed on a picture of {size[0]} x {size[1]}, "
                      f"but the source's is {size_px[0]} x {size_px[1]}")
    lens = {key: table[key] for key in LENS if key in table}
    faults += [f"{key} = {value!r} is not a number" for key, value in lens.items() if not _numbers([value], 1)]
    if _numbers([lens.get("focal_px")], 1) and lens["focal_px"] <= 0:
        faults.append(f"focal_px = {lens['focal_px']!r} is not above 0")
    return size[0], size[1], lens


def _marks(table: Any, width: int | None, height: int | None, faults: list[str]) -> dict[str, Pixel]:
    if not isinstance(table, Mapping) or not table:
        faults.append("no marks in [marks]")
        return {}
    good: dict[str, Pixel] = {}
    for name, pixel in table.items():
        if name not in MARKS:
            faults.append(_unknown("mark", name, MARKS))
        elif fault := _pixel_fault(pixel, width, height):
            faults.append(f"{name} {fault}")
        else:
            twin = next((other for other, there in good.items() if there == tuple(pixel)), None)
            if twin:
                faults.append(f"{twin} and {name} in one place, {list(pixel)}")
            good[name] = (float(pixel[0]), float(pixel[1]))
    return good


def _measured(points: Any, width: int | None, height: int | None, faults: list[str]) -> list:
    if not isinstance(points, list) or not all(isinstance(p, Mapping) for p in points):
        faults.append("measured is not a list of [[measured]] points")
        return []
    good = []
    for i, point in enumerate(points, 1):
        name = f"measured point {i}"
        bad = [_unknown(name, key, ("pixel", "pitch_m")) for key in point if key not in ("pixel", "pitch_m")]
        if fault := _pixel_fault(point.get("pixel"), width, height):
            bad.append(f"{name}: pixel {fault}")
        if not _numbers(point.get("pitch_m"), 3):
            bad.append(f"{name}: pitch_m is {point.get('pitch_m')!r}, not three numbers")
        if not bad:
            good.append((tuple(map(float, point["pixel"])), tuple(map(float, point["pitch_m"]))))
        faults += bad
    return good


def _pixel_fault(pixel: Any, width: int | None, height: int | None) -> str | None:
    if not _numbers(pixel, 2):
        return f"is {pixel!r}, not two numbers"
    if width and height and not (0 <= pixel[0] <= width and 0 <= pixel[1] <= height):
        return f"at {pixel} is outside the picture of {width} x {height}"
    return None


def _numbers(values: Any, n: int) -> bool:
    return isinstance(values, (list, tuple)) and len(values) == n and \
        all(isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) for v in values)


def _unknown(what: str, key: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(key, list(known), 1, 0.5)
    return f"{what} {key!r} is not known" + (f", did you mean {near[0]!r}?" if near else f"; known: {', '.join(known)}")


def _toml_fault(text: str, e: tomllib.TOMLDecodeError) -> str:
    """The decoder's words, or, for a doubled key, which."""
    line = re.search(r"line (\d+)", str(e))
    if line and "overwrite" in str(e):
        key = text.splitlines()[int(line[1]) - 1].partition("=")[0].strip()
        return f"{key} given twice, again in line {line[1]}"
    return f"a file that is not TOML: {e}"
