"""Faults: what stops a command, as one line that a person can act on. Who raises one knows the cure; nobody prints
here."""
from __future__ import annotations


class Fault(Exception):
    """What was asked, what was found, what to do: "asked <asked>; found <found>; <do>"."""

    def __init__(self, asked: str, found: str, do: str) -> None:
        self.asked, self.found, self.do = (_one_line(t) for t in (asked, found, do))
        super().__init__(f"asked {self.asked}; found {self.found}; {self.do}")

    def __reduce__(self) -> tuple:
        return Fault, (self.asked, self.found, self.do)   # crosses from a child process unharmed


def _one_line(text: str) -> str:
    return " ".join(str(text).split())
