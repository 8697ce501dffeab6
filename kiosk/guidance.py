"""Guidance: the workload table in use: the home's own workload.toml, else the copy that came with the program.

What the numbers mean is creaseside.workload's business; what held on which day is in the log (`Logbook.note_guidance`).
"""
from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path

from creaseside.settings import Faults
from creaseside.workload import Table, table_from
from kiosk.faults import Fault
from kiosk.place import Place

SHIPPED = Path(__file__).parents[1] / "config" / "workload.toml"


def text(place: Place) -> str:
    """The file's own words."""
    own = place.folder / SHIPPED.name
    path = own if own.exists() else SHIPPED
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as e:
        raise Fault(f"the workload table {path}", getattr(e, "strerror", None) or str(e), "make the file readable") from e


@lru_cache(16)               # the same words again hold the same table
def table(words: str, where: str = "workload.toml") -> Table:
    """The table that such a file holds; Fault with all that is wrong with it."""
    asked = f"the workload table in {where}"
    try:
        return table_from(tomllib.loads(words))
    except Faults as e:
        raise Fault(asked, str(e), "put that right and start again") from e
    except tomllib.TOMLDecodeError as e:
        raise Fault(asked, f"a file that is not TOML: {e}", "put that right and start again") from e
