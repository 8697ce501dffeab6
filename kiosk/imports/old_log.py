"""Old log: a log as a file (a backup, or a damaged one that was put aside) taken in like a zip from another machine.

It is copied aside first and left as it is; of a damaged one what can be read comes in. Clips are not in a log's file.
"""
from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

from kiosk.exports import bundle
from kiosk.faults import Fault
from kiosk.imports import merge
from kiosk.logbook import Logbook, Reader
from kiosk.place import Place

HEAD = b"SQLite format 3\0"


def is_one(path: Path) -> bool:
    try:
        with path.open("rb") as f:
            return f.read(len(HEAD)) == HEAD
    except OSError:
        return False


def take_in(log: Logbook, path: Path) -> tuple[dict[str, Any], str | None]:
    """What came in, in numbers; and what people should hear of a damaged one. Fault where nothing can be read."""
    with tempfile.TemporaryDirectory(prefix="creaseside-") as aside:
        copy = Place(Path(aside) / "home", quiet=True)
        try:
            for tail in ("", "-wal"):
                if (part := path.with_name(path.name + tail)).exists():
                    shutil.copyfile(part, copy.log.with_name(copy.log.name + tail))
        except OSError as e:
            raise Fault(f"to take in {path}", e.strerror or str(e), "free some space, or make it readable") from e
        with Reader(copy, log.clock) as old:
            bundle.write(old, Path(aside) / "log.zip", None, None)
            damaged = old.notice
        made = merge.take_in(log, Path(aside) / "log.zip") | {"import": str(path)}
    return made, damaged and f"{path} is damaged; what can be read of it came in"
