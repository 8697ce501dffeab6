"""Texts: every word on the screen, by language and by the player's age of words.

A verdict says what was seen, never what somebody is worth. Under 18 the leg and the speed have one pair of words,
inside or outside the player's own band: nobody that young is told that straighter or faster is better.
"""
from __future__ import annotations

import math
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Any

from creaseside.ball import BY_NAME

LANGUAGES = ("en", "hi")
AGES = ("adult", "teen", "child")
CHILD_TO = 11                       # the oldest that hears a child's words, years; common practice, no source
STEPS = {"deg": 1.0, "m": 0.01, "m/s": 0.1, "ratio": 0.01, "s": 0.01}    # no number is shown finer than this


def age_of_words(age_group: str | None, birth_year: int | None, year: int) -> str:
    """ "adult" only where it is sure, as for consent: an adult by group, or born more than 18 calendar years before."""
    if birth_year is not None:
        years = year - birth_year
        return "adult" if years > 18 else "child" if years <= CHILD_TO else "teen"
    if age_group == "adult":
        return "adult"
    digits = (age_group or "").lstrip("uU")
    return "child" if digits.isdigit() and int(digits) <= CHILD_TO + 1 else "teen"


class Texts:
    """One language's words."""

    def __init__(self, language: str) -> None:
        self.language = language
        self._all = _catalogue(language)

    def say(self, key: str, **fields: Any) -> str:
        """A line of the screen's own, its fields filled in."""
        return self._all["screen"][key].format(**fields)

    def setup(self, key: str, **fields: Any) -> str:
        """A line of the camera's set-up."""
        return self._all["setup"][key].format(**fields)

    def mark(self, name: str) -> str:
        """A mark of the pitch, in words."""
        return self._all["setup"]["mark"][name]

    def name(self, measure: str) -> str:
        return self._all["measure"][measure]["name"]

    def block(self, kind: str) -> tuple[str, str]:
        """A block's name, and one sentence on what it is."""
        block = self._all["block"][kind]
        return block["name"], block["note"]

    def cue(self, measure: str, age: str) -> str:
        """The one cue in words, where the coach gave none. "" for a measure that nobody can be cued on."""
        return self._word(measure, age, "cue")

    def verdict(self, measure: str, verdict: str | None, value: float | None, low: float | None, high: float | None,
                age: str) -> str:
        """One to three words for what was seen. verdict as a ball has it; None: it was not seen."""
        if verdict is None or value is None or not math.isfinite(value):
            return self.say("not_seen")
        if verdict == "unsure":
            return self.say("not_sure")
        if verdict == "hit":
            return self._word(measure, age, "inside")
        return self._word(measure, age, "below" if low is not None and value < low else "above")

    def ends(self, measure: str, age: str) -> tuple[str, str]:
        """The words for the left and the right end of the gate's line."""
        ends = self._word(measure, age, "ends")
        return tuple(reversed(ends)) if self.left_is_high(measure) else tuple(ends)

    def left_is_high(self, measure: str) -> bool:
        """Whether greater values are to the bowler's left, and so are drawn on the left."""
        return self._family(measure).get("left_is_high", False)

    def number(self, measure: str, value: float | None, sd: float | None, age: str) -> str:
        """The number, rounded to what its error allows. "" for a child, and where there is none."""
        if value is None or not math.isfinite(value) or age == "child":
            return ""
        unit = BY_NAME[measure].unit
        step = STEPS[unit]
        if sd is not None and math.isfinite(sd) and sd > step:
            step = max(step, 10.0 ** math.floor(math.log10(sd) + 1e-9))
        rounded = round(value / step) * step
        side = ""
        if self.left_is_high(measure):
            side = " " + self.say("left" if rounded > 0 else "right") if rounded else ""
            rounded = abs(rounded)
        if unit == "ratio" or (unit == "m" and abs(value) < 1):
            rounded, step, unit = rounded * 100, step * 100, "%" if unit == "ratio" else "cm"
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        text = f"{rounded + 0.0:.{decimals}f}".replace("-", "\u2212")
        return text + self.say("unit_" + {"%": "percent", "m/s": "m_s"}.get(unit, unit)) + side

    def _word(self, measure: str, age: str, what: str) -> Any:
        """From the words of that age, else of the next older one; a family says itself how far that goes."""
        family = self._family(measure)
        ages = AGES[:AGES.index(age) + 1][::-1]
        return next(family[a][what] for a in ages if what in family.get(a, {}))

    def _family(self, measure: str) -> dict:
        return self._all["family"][self._all["measure"][measure]["family"]]


@lru_cache
def _catalogue(language: str) -> dict[str, Any]:
    return tomllib.loads((Path(__file__).parent / f"{language}.toml").read_text("utf-8"))
