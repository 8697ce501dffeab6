"""Words: numbers as coarse as their error, days, and the sentences of the pages. Pure.

A sentence says what was measured and how sure that is, never that somebody is good, better than somebody, or at risk.
"""
from __future__ import annotations

import math
from datetime import date
from functools import lru_cache
from typing import Sequence

from creaseside.ball import BY_NAME, Value
from creaseside.focus import SURE_SD
from creaseside.own_best import OwnBest
from creaseside.progress import Mean, Stuck
from kiosk.texts import Texts

TEXTS = Texts("en")
UNITS = {"deg": "°", "m": " m", "m/s": " m/s", "s": " s", "ratio": ""}
FINEST = {"deg": 1, "m": 3, "m/s": 2, "s": 3, "ratio": 2}       # decimals; no camera beside a net is finer
VERDICTS = {"hit": "inside the gate", "miss": "outside the gate", "unsure": "too close to a post to say"}
GIVEN = {"none": "none", "every": "given: every ball", "outside": "given: outside the gate",
         "back in": "given: first ball back inside", "fading": "given: its turn", "over": "given: for the over",
         "on request": "given: on request"}      # the words of creaseside.plan
ACTIONS = {"flexor": "flexor", "extender": "extender", "flexor_extender": "flexor-extender",
           "constant_brace": "constant brace"}
MANY = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def name(measure: str) -> str:
    return TEXTS.name(measure)


def block(kind: str | None) -> str:
    return TEXTS.block(kind)[0] if kind in ("warm_up", "baseline", "focus", "no_feedback", "free") else "no block"


def given(word: str) -> str:
    """What feedback a ball had, from its row."""
    return GIVEN.get(word, word)


def count(n: int, what: str, more: str | None = None) -> str:
    """ "one ball", "13 balls"; more: the plural where it is not + s."""
    return f"{MANY[n] if n < len(MANY) else f'{n:,}'.replace(',', ' ')} {what if n == 1 else more or what + 's'}"


def figure(value: float, decimals: int) -> str:
    """With a true minus, and never minus zero."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")


def decimals(measure: str, sd: float | None) -> int:
    """As many as the error carries: its first digit, two where that is a 1; never more than the unit is good for."""
    most = FINEST[BY_NAME[measure].unit]
    if sd is None or not math.isfinite(sd) or sd <= 0:
        return most
    first = math.floor(math.log10(sd) + 1e-9)
    return min(most, max(0, -first + (sd / 10**first < 1.95)))


def unit(measure: str) -> str:
    return UNITS[BY_NAME[measure].unit]


def number(measure: str, value: float | None, sd: float | None = None) -> str:
    """ "162°", as coarse as sd asks for; "–" where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    return figure(value, decimals(measure, sd)) + unit(measure)


def with_sd(measure: str, value: Value) -> str:
    """ "162 ± 3°": the number and one standard deviation; the reason where there is none."""
    if not value:
        return value.reason or "not seen"
    if value.sd is None:
        return f"{number(measure, value.value)} (sd not known)"
    d = decimals(measure, value.sd)
    return f"{figure(value.value, d)} ± {figure(value.sd, d)}{unit(measure)}"


def span(measure: str, low: float, high: float) -> str:
    """ "159.1 to 163.4°", as coarse as a tenth of its width allows."""
    d = decimals(measure, max((high - low) / 10, 1e-9))
    return f"{figure(low, d)} to {figure(high, d)}{unit(measure)}"


def gate(measure: str, low: float | None, high: float | None) -> str:
    """The gate with its posts as they were set."""
    at_least, at_most = (None if p is None else _post(measure, p) for p in (low, high))
    if at_least and at_most:
        return f"the gate from {at_least} to {at_most}"
    return f"the gate, at least {at_least}" if at_least else f"the gate, at most {at_most}" if at_most else "no gate"


def _post(measure: str, at: float) -> str:
    text = figure(at, FINEST[BY_NAME[measure].unit])
    return (text.rstrip("0").rstrip(".") if "." in text else text) + unit(measure)


def mean(measure: str, of: Mean) -> str:
    """ "160.2° (95 % interval 157.9 to 162.5°, 6 balls)", or why there is none."""
    if not of:
        return f"no mean: {of.reason}"
    d = decimals(measure, (of.high - of.low) / 10)
    return (f"{figure(of.value, d)}{unit(measure)} (95 % interval {figure(of.low, d)} to {figure(of.high, d)}"
            f"{unit(measure)}, {count(of.balls, 'ball')})")


def brief(measure: str, of: Mean) -> str:
    """ "160.2° (157.9 to 162.5°)", for a table that says itself what stands in the brackets."""
    if not of:
        return f"– ({count(of.balls, 'ball')})"
    d = decimals(measure, (of.high - of.low) / 10)
    return f"{figure(of.value, d)}{unit(measure)} ({span(measure, of.low, of.high)})"


def stuck(measure: str, of: Stuck, alone: int) -> str:
    """Did it stick: the change from the baseline to the balls on their own (`alone` measured ones), in plain words."""
    if of.reason:
        return f"Did it stick? Cannot tell: {of.reason}."
    d = decimals(measure, of.mdc / 10)
    u = unit(measure)
    moved = f"{figure(abs(of.change), d)}{u} {'more' if of.change >= 0 else 'less'} than in the baseline"
    least = f"{figure(of.mdc, d)}{u} is the least change that this many balls can tell from chance"
    if of.word == "changed":
        return (f"Did it stick? Without feedback the mean was {moved} (95 % interval "
                f"{span(measure, of.low, of.high)}): more than the measurement can explain. "
                f"{least[0].upper()}{least[1:]}.")
    if of.word == "same":
        return ("Did it stick? Without feedback the mean is as in the baseline: "
                f"all of {span(measure, of.low, of.high)} is small.")
    return f"Did it stick? Without feedback the mean was {moved}: cannot tell yet, {_more(of, alone)}; {least}."


def _more(of: Stuck, alone: int) -> str:
    if of.more:
        return (f"about {count(of.more, 'ball')} more without feedback would, were the change real and just as large "
                "(on another day, within the day's limit)")
    if of.per_block:
        return (f"two new blocks of about {count(of.per_block, 'ball')} would, were the change real and just as large "
                "(on another day, within the day's limit)")
    return "and no block of a sensible length would, since the change is so small beside the scatter"


def verdicts(measure: str, given: Sequence[str | None], low: float | None, high: float | None) -> str:
    """How many balls were on which side of the gate, as far as they are sure."""
    n = {v: list(given).count(v) for v in VERDICTS}
    if not any(n.values()):
        return "No ball was judged."
    return (f"{count(n['hit'], 'ball').capitalize()} with the whole bar inside {gate(measure, low, high)}, "
            f"{count(n['miss'], 'ball')} with the whole bar outside, {count(n['unsure'], 'ball')} too close to a post "
            "to say.")


def best(of: OwnBest) -> str:
    if of:
        d = max(1, decimals("run_up_speed_m_s", (of.high - of.low) / 10))
        return (f"Of {count(of.balls, 'ball')} with both measured, the fastest came at a run-up of about "
                f"{of.speed_m_s:.{d}f} m/s (95 % interval {of.low:.{d}f} to {of.high:.{d}f} m/s): this bowler's own, "
                "from these balls, and no aim for anybody else.")
    return f"No own best run-up speed is shown: {of.reason}."


@lru_cache(1000)
def day(of: date) -> str:
    return f"{of.day} {of:%b %Y}"


def sure_bar() -> str:
    return f"± {SURE_SD:g} standard deviations"
