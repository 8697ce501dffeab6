"""Gate: the window of a focus: whether it may be set for a player, and the one round the player's own balls.

What may be worked on at which age is the engine's to say (creaseside.focus); this room looks the player up and asks.
A focus without posts is one that waits for the player's own baseline.
"""
from __future__ import annotations

import math
from dataclasses import replace

from creaseside.ball import BY_NAME, Value
from creaseside.focus import TOLERANCE, Band, Focus, own_band, refusal
from creaseside.settings import FocusCue
from creaseside.workload import youngest_age
from kiosk.logbook import Reader
from kiosk.texts import STEPS

BASELINE_BALLS = 24     # a player's latest balls, where no baseline block was bowled


def focus(cue: FocusCue | None) -> Focus | None:
    """What a ball can be judged by; None without a cue, or while its posts are still to come."""
    if cue is None or not cue.measure or (cue.at_least, cue.at_most) == (None, None):
        return None
    return Focus(cue.measure, cue.at_least, cue.at_most, cue.words)


def age(log: Reader, player: str | None) -> int | None:
    """The lowest age that fits what is known; None: not known."""
    if player is None:
        return None
    row = log.player(player)
    return youngest_age(row["birth_year"], row["age_group"], log.today())


def own(log: Reader, player: str | None, measure: str, session: str | None = None) -> Band:
    """The player's own band: of the session's baseline block, else of their latest baseline, else of their latest balls."""
    found: list[float] = []
    if session is not None:
        found = log.values(measure, session=session, block="baseline")
    if not found and player is not None:
        found = log.values(measure, player=player, block="baseline", most=BASELINE_BALLS) \
            or log.values(measure, player=player, most=BASELINE_BALLS)
    return own_band([Value(value, None) for value in found], TOLERANCE.get(measure, 0.0))


def refused(log: Reader, player: str | None, cue: FocusCue, session: str | None = None) -> str | None:
    """Why this focus may not be set for that player, in one line; None where it may. Posts to come are their own band's."""
    judged = focus(cue)
    if judged is None:
        return None
    return refusal(judged, age(log, player), own(log, player, cue.measure, session))


def round_own(cue: FocusCue, band: Band) -> FocusCue:
    """The cue with its posts round the player's own mean, in whole steps of what a screen can show."""
    step = STEPS[BY_NAME[cue.measure].unit]
    middle, half = band.mean, max(step, math.ceil(band.half / step) * step)
    return replace(cue, at_least=round(middle - half, 4), at_most=round(middle + half, 4))
