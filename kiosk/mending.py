"""Mending: a kiosk that stands alone starts again, whatever a bad disk or a slip of the hand did to its files.

At the kiosk's start a settings or marks file of the home that cannot be used is put aside under another name, and the one
of the last good start takes its place; a damaged pose model is put aside and built again where that needs no network. Each
of it is one line that names the file and what to do. The other commands refuse such a file and move nothing. The log's own
mending is in kiosk/logbook/file.py.
"""
from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Callable

from kiosk import clock as real_clock
from kiosk import marks, models, solved
from kiosk.faults import Fault
from kiosk.place import Place

GOOD = ".good"


@dataclass(frozen=True, slots=True)
class Mended:
    """A file that was put aside. what: "settings", "marks" or "model", as the screen names it; line: the whole of it."""

    what: str
    line: str


def mended(place: Place, clock: ModuleType = real_clock) -> list[Mended]:
    """Put right what can be; each file that was put aside."""
    files: list[tuple[Path, str, Callable[[], object]]] = [
        (place.own_marks, "marks", lambda: solved.camera(marks.read(place.own_marks), place.home))]
    if place.config is None:
        files.insert(0, (place.settings_file, "settings", lambda: Place(place.folder).settings))
    stamp = f"{clock.utc_and_ns()[0]:%Y%m%d-%H%M%S}"
    out = [Mended(what, line) for file, what, read in files if file.exists() and (line := _checked(file, what, read, stamp))]
    return out + [Mended("model", f"the pose model {bundle} was damaged; it is put aside beside it; where knees are measured "
                                  "less well now, run python3 kiosk/start.py once with a network")
                  for bundle in models.put_aside(stamp, place)]


def _checked(file: Path, what: str, read: Callable[[], object], stamp: str) -> str | None:
    good = file.with_name(file.name + GOOD)
    try:
        read()
    except Fault as fault:
        aside = file.with_name(f"{file.name}.damaged-{stamp}")
        try:
            os.replace(file, aside)
        except OSError as e:
            raise Fault(f"the {what} in {file}", fault.found, f"put that right by hand ({e.strerror})") from e
        instead = "no file at all"
        if good.exists():
            _copy(good, file)
            instead = "those of the last good start"
        return f"the {what} in {file} could not be used ({fault.found}); the file is now {aside.name}; going on with {instead}: look at it"
    if not good.exists() or good.read_bytes() != file.read_bytes():
        with contextlib.suppress(OSError):      # a full disk: the one before stays the last good one
            _copy(file, good)
    return None


def _copy(file: Path, to: Path) -> None:
    """Whole, on the disk, for its owner alone; or not at all."""
    part = to.with_name(to.name + ".part")
    try:
        with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as f:
            f.write(file.read_bytes())
            f.flush()
            os.fsync(f.fileno())
        os.replace(part, to)
    finally:
        part.unlink(missing_ok=True)
