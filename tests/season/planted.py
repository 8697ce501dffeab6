"""Planted: who bowls in the invented season, and what is true of each of them, so that pages and statistics can be held
against it.

Of one measure each, a third of the bowlers keep what a session taught them (`keeps`), a third show it only while they
are given feedback (`leans`), a third learn nothing (`none`). Of the speed of the ball, a third have a run-up speed of
their own at which it is highest (`peak`), for a third it only rises with the run-up (`rises`), for a third it does not
care (`flat`). The names are invented, and some of them are meant to be awkward.
"""
from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Mapping

import numpy as np

from creaseside.ball import QUANTITIES

NAMES = ("Asha", "Bo", "Cato", "Dilan", "Ebo", "Fenn", "Gita", "Hale", "Ines", "Jory", "Kavi", "Lumi", "Mira", "Nils",
         "Oda", "Pim", "Quill", "Rafi", "Suvi", "Tam", "Ulla", "Vik", "Wren", "Xan", "Yuna", "Zed", "Arlo", "Bruna",
         "Zoë \"Yorker\" O'Dell", "<b>Mo</b>", "=2+5", "@Kit", "+Jaz", "آرش", "נועם", "आरव", "👩🏽‍🚀 Ana", "-Dot",
         "Ñusta; drop table ball", "Solo")
SOLO = len(NAMES) - 1                                     # bowls one ball and is not seen again
AGES = (11, 14, 14, 16, 16, 17, 20, 22, 25, 28)           # in turn; the first six are under 18
LEARNING = ("keeps", "leans", "none")
SPEED = ("peak", "rises", "flat")

# From ball to ball, and the error of measuring, in the measure's unit. Of the size that published and drawn balls have
# (from memory); the tests need only that they are known.
SCATTER: Mapping[str, tuple[float, float]] = MappingProxyType({
    "bfc_s": (0.05, 0.011), "ffc_s": (0.012, 0.002), "br_s": (0.008, 0.004), "front_knee_ffc_deg": (2.5, 2.0),
    "front_knee_min_deg": (3.0, 2.5), "front_knee_br_deg": (4.0, 3.0), "approach_deg": (1.4, 1.0),
    "turn_deg": (2.0, 1.5), "run_up_speed_m_s": (0.45, 0.10), "speed_kept": (0.03, 0.02),
    "bound_height_m": (0.02, 0.015), "back_knee_bfc_deg": (4.0, 4.0), "back_knee_min_deg": (4.0, 4.0),
    "stride_length_m": (0.05, 0.02),
    "front_foot_offset_m": (0.05, 0.02), "trunk_lean_ffc_deg": (2.5, 2.0), "trunk_lean_br_deg": (3.0, 2.5),
    "arm_delay_deg": (6.0, 4.0), "bfc_to_ffc_s": (0.012, 0.011), "ffc_to_br_s": (0.008, 0.004)})
MEANS: Mapping[str, tuple[float, float]] = MappingProxyType({      # of all bowlers, and how they differ
    "bfc_s": (1.7, 0.0), "front_knee_ffc_deg": (165.0, 4.0), "front_knee_min_deg": (-8.0, 4.0),
    "front_knee_br_deg": (5.0, 4.0), "approach_deg": (0.0, 5.0), "turn_deg": (0.0, 5.0), "run_up_speed_m_s": (5.3, 0.4),
    "speed_kept": (0.62, 0.05), "bound_height_m": (0.14, 0.04), "back_knee_bfc_deg": (150.0, 6.0),
    "back_knee_min_deg": (-22.0, 5.0), "stride_length_m": (1.45, 0.12), "front_foot_offset_m": (0.0, 0.06),
    "trunk_lean_ffc_deg": (4.0, 5.0), "trunk_lean_br_deg": (32.0, 5.0), "arm_delay_deg": (75.0, 12.0),
    "bfc_to_ffc_s": (0.17, 0.02), "ffc_to_br_s": (0.10, 0.008)})

EFFECT_SD = 2.5            # what a session teaches, in standard deviations of a ball, measuring and all
KEPT_SHARE = 0.5           # of it is still there at the end of the season, before the session begins
CURVE = 9.0                # km/h less, 1 m/s away from the best run-up
SLOPE = 6.0                # km/h more for each m/s, where it only rises
BALL_SPEED_SD = 2.5        # km/h
FOCUS = {"adult": ("front_knee_ffc_deg", "approach_deg", "front_foot_offset_m", "stride_length_m"),
         "young": ("approach_deg", "front_foot_offset_m", "trunk_lean_br_deg")}


@dataclass(frozen=True, slots=True)
class Bowler:
    """One invented player. `effect`: the change that a session teaches, in the measure's unit; 0 for `none`.

    best_run_up_m_s: where the ball is fastest; None unless `speed` is `peak`.
    """

    number: int
    shown_name: str
    arm: str
    age: int
    height_m: float
    means: Mapping[str, float]
    measure: str
    learning: str
    effect: float
    speed: str
    ball_speed_km_h: float
    best_run_up_m_s: float | None

    @property
    def id(self) -> str:
        return f"p-{self.number:04x}"

    def ball_speed(self, run_up_m_s: np.ndarray) -> np.ndarray:
        """km/h without the chance of the single ball."""
        if self.speed == "peak":
            return self.ball_speed_km_h - CURVE * (run_up_m_s - self.best_run_up_m_s) ** 2
        rise = SLOPE if self.speed == "rises" else 0.0
        return self.ball_speed_km_h + rise * (run_up_m_s - self.means["run_up_speed_m_s"])

    def shift(self, kind: str | None, part: float) -> float:
        """What is added to the measure's mean in a block of that kind, at that part (0 to 1) of the season."""
        if self.learning == "none":
            return 0.0
        if self.learning == "leans":
            return self.effect if kind == "focus" else 0.0
        return self.effect * (KEPT_SHARE * part + (kind in ("focus", "no_feedback")))


def bowlers(seed: int) -> tuple[Bowler, ...]:
    """The same forty for the same seed."""
    return tuple(_bowler(n, np.random.default_rng((seed, n))) for n in range(len(NAMES)))


def scatter(measure: str) -> float:
    """The standard deviation of a ball as it is measured."""
    return float(np.hypot(*SCATTER[measure]))


def _bowler(n: int, rng: np.random.Generator) -> Bowler:
    age = AGES[n % len(AGES)]
    means = {q.name: float(rng.normal(*MEANS[q.name])) for q in QUANTITIES if q.name in MEANS}
    measure = str(rng.choice(FOCUS["adult" if age >= 18 else "young"]))
    learning = LEARNING[n % 3] if n != SOLO else "none"
    speed = SPEED[(n + n // len(AGES)) % 3]        # so that each is found at every age
    sign = 1.0 if measure.startswith("front_knee") else float(rng.choice((-1.0, 1.0)))
    height_m = 1.45 if age < 12 else 1.62 if age < 15 else float(np.clip(rng.normal(1.78, 0.08), 1.55, 2.05))
    return Bowler(n + 1, NAMES[n], "left" if rng.random() < 0.25 else "right", age, round(height_m, 2), means, measure,
                  learning, 0.0 if learning == "none" else float(sign * EFFECT_SD * scatter(measure)), speed,
                  float(rng.normal(95 if age < 15 else 115, 8)),
                  means["run_up_speed_m_s"] + float(rng.uniform(-0.15, 0.15)) if speed == "peak" else None)
