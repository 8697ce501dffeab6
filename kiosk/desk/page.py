"""Page: one question with its answers, the safe one first; or a field to type into. Values only."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Callable

BACK, CLOSE = "back", "close"
DIGITS = tuple("1234567890")
LETTERS = tuple("ABCDEFGHIJKLMNOPQRSTUVWXYZ")


@dataclass(frozen=True, slots=True)
class Answer:
    """do gives what comes next: BACK, CLOSE, another page (something that makes one), or None: the same page anew."""

    words: str
    do: Callable[[], Any]


@dataclass(frozen=True, slots=True)
class Field:
    """What is typed: `signs` may be pressed on the screen too. done: is given it, and says what comes next."""

    done: Callable[[str], Any]
    signs: tuple[str, ...] = DIGITS
    most: int = 12
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    question: str
    answers: tuple[Answer, ...]
    lines: tuple[str, ...] = ()
    in_a_row: int = 0
    field: Field | None = None


Maker = Callable[[], Page]
