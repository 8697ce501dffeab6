"""Focus: the one thing that a session works on: a measure, the gate that the coach set for it, and the cue in words.

A ball is judged with its error: inside the gate, outside it, or too close to a post to say. This room also says what
may be worked on at which age, and makes a gate round a player's own baseline. It sets no gate by itself and rewards
nothing.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Iterable, Mapping

import numpy as np

from creaseside.ball import BY_NAME, Value

SURE_SD = 2.0   # the bar that the screen draws: about 95 of 100 times the true value lies in it (normal error)
FEWEST_BALLS = 4   # for a spread of one's own: from 4 balls it is known to about 40 % (1 over the root of 2 (n - 1))
OFF_CENTRE = 0.1   # of its width: how far the middle of an own band may be off the player's mean, to type whole degrees

# What a coach may choose, in the order of the list: alignment and stability first, momentum last (common practice,
# no source). The bare moments (bfc_s, ffc_s, br_s) are no technique.
MEASURES = ("approach_deg", "turn_deg", "front_foot_offset_m", "front_knee_ffc_deg", "front_knee_min_deg",
            "front_knee_br_deg", "back_knee_bfc_deg", "back_knee_min_deg", "trunk_lean_ffc_deg", "trunk_lean_br_deg",
            "stride_length_m", "bound_height_m", "arm_delay_deg", "bfc_to_ffc_s", "ffc_to_br_s", "run_up_speed_m_s",
            "speed_kept")

# Half a gate to start from where the coach names none: knee 8 to 10 deg, heading 5 deg (derived from bandwidth
# studies, for example Cruz et al. 2018); front foot within 10 cm (common practice, no source). Elsewhere only the
# player's own spread.
TOLERANCE: Mapping[str, float] = MappingProxyType({
    "front_knee_ffc_deg": 8.0, "front_knee_min_deg": 8.0, "front_knee_br_deg": 8.0, "approach_deg": 5.0,
    "turn_deg": 5.0, "front_foot_offset_m": 0.10})


@dataclass(frozen=True, slots=True)
class Focus:
    """`measure`: a name in ball.QUANTITIES; the posts in its unit, None for an open side; `words`: the cue.

    ValueError for a measure that there is not, a post that is no number, or a gate that is shut.
    """

    measure: str
    at_least: float | None = None
    at_most: float | None = None
    words: str = ""

    def __post_init__(self) -> None:
        if self.measure not in BY_NAME:
            raise ValueError(f"asked a measure, found {self.measure!r}; one of {', '.join(MEASURES)}")
        posts = [p for p in (self.at_least, self.at_most) if p is not None]
        if not all(map(math.isfinite, posts)):
            raise ValueError(f"asked posts that are numbers, found {posts}; leave a side out to keep it open")
        if len(posts) == 2 and posts[0] >= posts[1]:
            raise ValueError(f"the gate is shut: at least {self.at_least:g}, at most {self.at_most:g}")


def judge(focus: Focus, value: Value) -> str:
    """`hit` when the whole bar of ±2 sd is inside the gate, `miss` when all of it is outside on one side, or `unsure`.

    Not measured, with no known sd, or with no gate set is `unsure`. A post itself is inside.
    """
    if not value or value.sd is None or focus.at_least is focus.at_most is None:
        return "unsure"
    low, high = value.value - SURE_SD * value.sd, value.value + SURE_SD * value.sd
    floor = -math.inf if focus.at_least is None else focus.at_least
    roof = math.inf if focus.at_most is None else focus.at_most
    if low >= floor and high <= roof:
        return "hit"
    if high < floor or low > roof:
        return "miss"
    return "unsure"


def side(focus: Focus, value: Value) -> str | None:
    """Which side of the gate the middle of the bar is on: `below`, `inside`, `above`; None when not measured."""
    if not value:
        return None
    if focus.at_least is not None and value.value < focus.at_least:
        return "below"
    if focus.at_most is not None and value.value > focus.at_most:
        return "above"
    return "inside"


@dataclass(frozen=True, slots=True)
class Band:
    """A player's own window, in the measure's unit: `mean` ± `half` over `balls` measured balls whose spread is `sd`.

    False, with the reason, where the balls do not carry one.
    """

    mean: float = math.nan
    half: float = math.nan
    sd: float = math.nan
    balls: int = 0
    reason: str | None = None

    def __bool__(self) -> bool:
        return self.reason is None

    @property
    def at_least(self) -> float:
        return self.mean - self.half

    @property
    def at_most(self) -> float:
        return self.mean + self.half


def own_band(baseline: Iterable[Value], tolerance: float = 0.0) -> Band:
    """Mean of the baseline balls ± the greater of the coach's tolerance and one sd from ball to ball (n - 1).

    The sd is as it was measured, so it holds the measuring error too and the band is rather wide than narrow. A
    bowler's spread settles from about 12 balls on (derived; no value for bowling is published).
    """
    seen = np.array([v.value for v in baseline if v])
    if len(seen) < FEWEST_BALLS:
        return Band(balls=len(seen), reason=f"asked {FEWEST_BALLS} measured balls for an own band, found {len(seen)}; "
                                            "add more within the day's limit")
    sd = float(seen.std(ddof=1))
    band = Band(float(seen.mean()), max(tolerance, sd), sd, len(seen))
    if band.at_least >= band.at_most:
        return Band(balls=len(seen), reason="the balls are all the same to the last digit; give a tolerance")
    return band


def allowed_for(age: int | None) -> Mapping[str, str]:
    """What may be worked on at that age, in the order of the list: measure -> `free`, `band` or `own_band`.

    `free`: any gate. `own_band`: two posts, and the player's own mean in the middle. `band`: the same, but two posts
    will do while there is no baseline yet. Age in whole years; None, not known for sure, counts as under 18. Under 18
    nobody is asked for a straighter leg or for more pace: a straighter knee goes with more load on the lower back
    (Crewe et al. 2013).
    """
    rules = {"front_knee": "own_band", "back_knee": "band", "run_up_speed": "band", "speed_kept": "band"}
    young = age is None or age < 18
    return MappingProxyType({m: next((rule for start, rule in rules.items() if young and m.startswith(start)), "free")
                             for m in MEASURES})


def refusal(focus: Focus, age: int | None, own: Band | None = None) -> str | None:
    """Why this focus may not be set for a player of that age, in one line that says what to do; None where it may."""
    rule = allowed_for(age).get(focus.measure)
    if rule is None:
        return f"{focus.measure} is a moment, not a thing to work on; choose one of {', '.join(MEASURES)}"
    if rule == "free":
        return None
    if focus.at_least is None or focus.at_most is None:
        return f"under 18, {focus.measure} can only be a band; give at_least and at_most"
    if not own:
        return None if rule == "band" else (f"under 18, {focus.measure} can only be a band round the player's own "
                                            "baseline; bowl a baseline first")
    middle, width = (focus.at_least + focus.at_most) / 2, focus.at_most - focus.at_least
    if abs(middle - own.mean) > OFF_CENTRE * width + 1e-9:
        return (f"under 18, the middle of the band of {focus.measure} must be the player's own mean {own.mean:.4g}; "
                f"found {middle:.4g}")
    return None
