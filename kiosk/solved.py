"""Solved: the cameras of the last marks, kept in the home, so that a start need not solve them again: to solve one costs a
third of a start's processor time, most of it the library (measured).

A camera is found again only by the very marks and the very solver that made it, and only where every byte of the file is as
it was written; else it is solved anew, and nobody need know. What a camera is, and whether marks are a picture of a pitch,
is the engine's business.
"""
from __future__ import annotations

import contextlib
import hashlib
import json
import multiprocessing
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Callable, Iterable, Sequence

from creaseside import pitch
from kiosk.marks import Marks

if TYPE_CHECKING:
    import numpy as np

    from creaseside.camera import Camera

FILE = "cameras.json"
LIBRARY = "scipy.optimize"
KEPT = 8                    # the marks of one hall, as they were placed last, without their paint and with it


def camera(marks: Marks, home: Path, where: str = "the marks") -> Camera:
    """The camera that sees the marks there, as `marks.solved(where)` gives it, to the last bit."""
    file, key = home / FILE, _key(marks)
    kept = _read(file)
    if key in kept:
        return _camera(kept[key])
    found = _solved(marks, where)
    with contextlib.suppress(OSError, ValueError):      # a disk that is full, or numbers that are none: the next start solves it
        _write(file, dict([*kept.items(), (key, _plain(found))][-KEPT:]))
    return found


def sharpened(marks: Marks, pictures: Iterable[np.ndarray], earlier: Sequence[Marks], home: Path) -> Marks:
    """The marks with the creases' paint, as `paint.sharpened` reads it in the first of the pictures that shows it. Where an earlier
    set-up of the same marks shows the same paint it is that set-up again, to the last digit; and where no picture shows any (a
    hall in the dark) it is the last one, since nothing speaks against it."""
    from kiosk import paint
    alone = camera(marks, home)
    for picture in pictures:
        if not (read := paint.seen(picture, alone)):
            continue
        known = next((setup for setup in earlier if paint.same(setup.paint, read)), None)
        return known or _elsewhere(paint.sharpened, _plain_marks(marks), [picture])
    return next(iter(earlier), marks)


def _solved(marks: Marks, where: str) -> Camera:
    return _elsewhere(Marks.solved, _plain_marks(marks), where)


def _elsewhere(what: Callable[..., Any], *given: Any) -> Any:
    """By a process of its own, which takes the library with it when it ends: 20 MiB of a kiosk's memory (measured)."""
    if LIBRARY in sys.modules:
        return what(*given)
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as other:
        return other.submit(what, *given).result()


def _plain_marks(marks: Marks) -> Marks:
    return replace(marks, marks_px=dict(marks.marks_px))       # a view does not go from process to process


def _key(marks: Marks) -> str:
    solver = Path(pitch.__file__).read_bytes() + Path(pitch.__file__).with_name("camera.py").read_bytes()
    given = [list(marks.marks_px.items()), *(getattr(marks, f.name) for f in fields(marks) if f.name != "marks_px")]
    return hashlib.sha256(solver + json.dumps(given).encode()).hexdigest()


def _plain(found: Camera) -> dict[str, Any]:
    out = {f.name: getattr(found, f.name) for f in fields(found)}
    return {name: value.tolist() if hasattr(value, "tolist") else value for name, value in out.items()}


def _camera(plain: dict[str, Any]) -> Camera:
    import numpy as np

    from creaseside.camera import Camera
    return Camera(**{name: np.array(value, float) if isinstance(value, list) else value for name, value in plain.items()})


def _read(file: Path) -> dict[str, dict[str, Any]]:
    try:
        digest, _, body = file.read_bytes().partition(b"\n")
        return json.loads(body) if digest.decode() == hashlib.sha256(body).hexdigest() else {}
    except (OSError, ValueError):
        return {}


def _write(file: Path, kept: dict[str, dict[str, Any]]) -> None:
    body = json.dumps(kept, allow_nan=False).encode()
    part = file.with_name(file.name + ".part")
    with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as f:
        f.write(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
    os.replace(part, file)
