"""Ball: everything that is known of one delivery, each number with its standard deviation or the reason why there is none.

The list of quantities is the contract with the log and with everyone who reads its JSON. This room computes nothing.
"""
from __future__ import annotations

import math
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Mapping

VERDICTS = ("hit", "miss", "unsure")
FRONT_LEG_ACTIONS = ("flexor", "extender", "flexor_extender", "constant_brace")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured number of a ball: its name (unit at the end), its unit, what it is, and how many decimals are worth writing."""

    name: str
    unit: str
    meaning: str
    decimals: int


QUANTITIES = (
    Quantity("bfc_s", "s", "back foot contact, from the clip's first frame", 4),
    Quantity("ffc_s", "s", "front foot contact, from the clip's first frame", 4),
    Quantity("br_s", "s", "ball release, from the clip's first frame", 4),
    Quantity("front_knee_ffc_deg", "deg", "front knee at front foot contact, 180 straight", 2),
    Quantity("front_knee_min_deg", "deg", "front knee, smallest between front foot contact and release", 2),
    Quantity("front_knee_br_deg", "deg", "front knee at release", 2),
    Quantity("approach_deg", "deg", "direction of the run-up before back foot contact, + towards the bowler's left", 2),
    Quantity("turn_deg", "deg", "direction from back ankle to front ankle, less the approach", 2),
    Quantity("run_up_speed_m_s", "m/s", "mid-hip speed over the last 0.15 s before back foot contact", 3),
    Quantity("speed_kept", "ratio", "mid-hip speed at release over that before back foot contact", 3),
    Quantity("bound_height_m", "m", "rise of the mid-hip in the bound above the stride before", 3),
    Quantity("back_knee_bfc_deg", "deg", "back knee at back foot contact, 180 straight", 2),
    Quantity("back_knee_min_deg", "deg", "back knee, smallest during back foot contact", 2),
    Quantity("stride_length_m", "m", "back ankle at its contact to front ankle at its contact, along the ground", 3),
    Quantity("front_foot_offset_m", "m", "sideways from back ankle to front ankle, + towards the bowler's left", 3),
    Quantity("trunk_lean_ffc_deg", "deg", "trunk against the vertical at front foot contact, + forward", 2),
    Quantity("trunk_lean_br_deg", "deg", "trunk against the vertical at release, + forward", 2),
    Quantity("arm_delay_deg", "deg", "bowling upper arm against the trunk line at front foot contact", 2),
    Quantity("bfc_to_ffc_s", "s", "back foot contact to front foot contact", 4),
    Quantity("ffc_to_br_s", "s", "front foot contact to release", 4),
)
BY_NAME: Mapping[str, Quantity] = MappingProxyType({q.name: q for q in QUANTITIES})


@dataclass(frozen=True, slots=True)
class Value:
    """A number with its standard deviation (same unit), or None and the reason in plain words."""

    value: float | None
    sd: float | None
    reason: str | None = None

    @classmethod
    def missing(cls, reason: str) -> Value:
        return cls(None, None, reason)

    def __bool__(self) -> bool:
        return self.value is not None and math.isfinite(self.value)


@dataclass(frozen=True, slots=True)
class Ball:
    """One delivery as the engine knows it. `values` holds a Value for every name in QUANTITIES; times are on the stamps' axis."""

    arm: str | None
    values: Mapping[str, Value]
    front_leg_action: str | None = None
    quality: float = 0.0
    flags: tuple[str, ...] = ()
    verdict: str | None = None
    not_measured: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Value:
        return self.values[name]


def as_json(ball: Ball, number: int, clip: str | None, release_to_verdict_s: float | None = None,
            release_to_cue_s: float | None = None) -> dict:
    """The ball as others read it: one flat mapping, null where not measured, the reasons under `not_measured`."""
    out: dict = {"ball": number, "clip": clip, "arm": ball.arm}
    reasons = dict(ball.not_measured)
    for q in QUANTITIES:
        v = ball.values[q.name]
        out[q.name] = round(v.value, q.decimals) if v else None
        out[q.name + "_sd"] = round(v.sd, q.decimals) if v and v.sd is not None and math.isfinite(v.sd) else None
        if not v:
            reasons[q.name] = v.reason or "not seen"
    out["front_leg_action"] = ball.front_leg_action
    out["quality"] = round(ball.quality, 3)
    out["flags"] = list(ball.flags)
    out["verdict"] = ball.verdict
    out["release_to_verdict_s"] = release_to_verdict_s
    out["release_to_cue_s"] = release_to_cue_s
    out["not_measured"] = reasons
    return out
