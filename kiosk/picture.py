"""Picture: whether a source's picture is good to measure in: its real rate, its light, its focus, and whether lamps flicker.

It looks at some frames and says what it found under short names; the words are the catalogue's. The shutter is not seen in a
picture of things that stand still, so that nothing is said of it.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from kiosk.sources import light
from kiosk.sources.light import Light

SLOW = 0.9               # of the asked rate, as creaseside doctor has it
ENOUGH_FPS = 100.0       # 120 for an angle at landing, 60 for a band (common practice); between them lies this
FLICKER = 0.015          # sd of the frames' mean grey about its trend, as a share of it; sensor noise alone is under 0.001
LEAST_FRAMES = 6         # that flicker is judged from


@dataclass(frozen=True, slots=True)
class Finding:
    """what: "rate", "light", "focus" or "flicker"; word: what was found, a name in the catalogue; good: nothing to do."""

    what: str
    word: str
    good: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """fps: measured; None before it is known. seen: the light, None before a frame came."""

    fps: float | None
    asked_fps: float
    seen: Light | None
    findings: tuple[Finding, ...]


def judge(frames: Sequence[np.ndarray], fps: float | None, asked_fps: float) -> Judged:
    """`frames`: (H, W, 3) BGR, neighbours in time, oldest first."""
    found = []
    if fps is not None:
        word = "slow" if fps < SLOW * asked_fps else "few" if fps < ENOUGH_FPS else "good"
        found.append(Finding("rate", word, word == "good"))
    if not frames:
        return Judged(fps, asked_fps, None, tuple(found))
    seen = light.look(frames)
    found.append(Finding("light", seen.light.replace(" ", "_"), seen.light == "good light"))
    if seen.focus is not None:
        found.append(Finding("focus", seen.focus.replace(" ", "_"), seen.focus == "sharp"))
    if flicker(frames) > FLICKER:
        found.append(Finding("flicker", "yes", False))
    return Judged(fps, asked_fps, seen, tuple(found))


def flicker(frames: Sequence[np.ndarray]) -> float:
    """How unevenly bright the frames are, as a share of their mean; 0 for too few. Somebody who walks in is a trend."""
    if len(frames) < LEAST_FRAMES:
        return 0.0
    mean = np.array([float(f[::8, ::8].mean()) for f in frames])
    t = np.arange(len(mean))
    off = mean - np.polyval(np.polyfit(t, mean, 1), t)
    return float(off.std() / max(mean.mean(), 1.0))
