"""Row: one fault of the table, its pass line, and how it is injected so many times."""
from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Callable


class Missed(AssertionError):
    """The pass line was not met; the words say by what."""


class NotHere(Exception):
    """This machine cannot have that fault; the words say why."""


@dataclass(frozen=True, slots=True)
class Row:
    """run(count, folder): inject it `count` times with everything under `folder`; what was counted, in words. `short`: in
    the default suite; `full`: asked for by --full."""

    name: str
    fault: str
    line: str
    short: int
    full: int
    run: Callable[[int, Path], str]


def need(holds: object, words: str) -> None:
    """The pass line holds here, or it was missed."""
    if not holds:
        raise Missed(words)
