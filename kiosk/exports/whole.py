"""Whole: a file that is made here appears whole under its name, for its owner alone, or not at all."""
from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import Iterator

from kiosk.faults import Fault
from kiosk.place import Place


@contextmanager
def file(place: Place, to: Path, what: str) -> Iterator[Path]:
    """A path to write to, which takes the place of `to` when all went well. Fault for a disk's, and in the home."""
    asked, to = f"{what} in {to}", to.expanduser().absolute()
    if to.is_relative_to(place.home.absolute()) or to.is_dir():
        raise Fault(asked, "a folder" if to.is_dir() else "the kiosk's own home", "give the name of a file elsewhere")
    part = to.with_name(to.name + ".part")
    try:
        os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
        yield part
        os.chmod(part, 0o600)
        with part.open("rb") as f:
            os.fsync(f.fileno())
        part.replace(to)
    except OSError as e:
        raise Fault(asked, e.strerror or str(e), "give a file that may be written, on a disk with room") from e
    finally:
        part.unlink(missing_ok=True)
