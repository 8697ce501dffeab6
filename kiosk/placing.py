"""Placing: named marks being placed on a picture by hand: which one is in hand, where it is, and how it was before.

It draws nothing and knows no window. Whether the marks are a picture of a pitch is the engine's to say; what the fit and the
forecast come to is asked here and kept until a mark moves.
"""
from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Callable

import numpy as np

from creaseside import camera as cameras
from creaseside.camera import Camera, MarksFault, Pixel
from creaseside.forecast import Advice, Forecast, advice, forecast
from creaseside.pitch import MARKS
from kiosk import marks as files
from kiosk import paint
from kiosk.faults import Fault
from kiosk.marks import Marks

ORDER = ("middle_stump_base", "popping_crease_left", "popping_crease_right", "bowling_crease_left", "bowling_crease_right",
         "middle_stump_top", "left_stump_base", "left_stump_top", "right_stump_base", "right_stump_top")
"""The ground's corners first, since without them nothing fits."""


@dataclass(frozen=True, slots=True)
class Fit:
    """camera None: no camera fits, with the reason in `why` and the marks to look at. `moving`: a mark is in hand, so that
    nothing is judged. residual_px: by mark; empty where nothing fits. creases: whose paint was read too."""

    camera: Camera | None
    why: str = ""
    suspects: tuple[str, ...] = ()
    moving: bool = False
    creases: int = 0

    @property
    def worst(self) -> tuple[str, float] | None:
        """The mark that is farthest from where the fit has it, and how far, pixels."""
        off = self.camera.residual_px if self.camera is not None else None
        name = max(off, key=off.get) if off else None
        return name and (name, off[name])


class Placing:
    """`chosen`: the mark in hand. `marks_px`: where each placed one is, pixels of the picture. `fps`: that really come. still:
    the picture as it is now, None where there is none."""

    def __init__(self, size_px: tuple[int, int], fps: float, begun: Marks | None = None,
                 still: Callable[[], np.ndarray | None] = lambda: None) -> None:
        self.size_px, self.fps, self._begun, self._still = size_px, fps, begun, still
        self.marks_px: dict[str, Pixel] = dict(begun.marks_px) if begun else {}
        self.chosen = next((n for n in ORDER if n not in self.marks_px), ORDER[0])
        self._before: list[tuple[dict[str, Pixel], str]] = []
        self._dragging = False
        self.fit = self._solved()

    @property
    def changed(self) -> bool:
        """Whether any mark is elsewhere than in the file."""
        return self.marks_px != (dict(self._begun.marks_px) if self._begun else {})

    def choose(self, steps: int) -> None:
        """The next mark in hand, or the one before."""
        self.chosen = ORDER[(ORDER.index(self.chosen) + steps) % len(ORDER)]

    def take(self, point: Pixel, reach_px: float) -> None:
        """A hand comes down: a placed mark within reach is taken up, else the chosen one comes to the hand."""
        near = {n: _far(p, point) for n, p in self.marks_px.items()}
        nearest = min(near, key=near.get, default=None)
        self._remember()
        if nearest is not None and near[nearest] <= reach_px:
            self.chosen = nearest
        else:
            self.marks_px[self.chosen] = self._inside(point)
        self._dragging = True
        self.fit = self._refitted()

    def drag(self, by: Pixel) -> None:
        """The mark in hand is moved by so many pixels."""
        if not self._dragging or self.chosen not in self.marks_px:
            return
        x, y = self.marks_px[self.chosen]
        self.marks_px[self.chosen] = self._inside((x + by[0], y + by[1]))
        self.fit = self._refitted()

    def let_go(self) -> None:
        """The hand is gone. A touch that moved nothing is nothing to take back."""
        if self._dragging:
            self._dragging = False
            if self._before and self._before[-1][0] == self.marks_px:
                self._before.pop()
            self.fit = self._solved()

    def nudge(self, by: Pixel) -> None:
        """By keys: the mark in hand, which begins where the others say it is, or in the picture's middle."""
        self._remember()
        x, y = self.marks_px.get(self.chosen) or self.guess(self.chosen) or (self.size_px[0] / 2, self.size_px[1] / 2)
        self.marks_px[self.chosen] = self._inside((x + by[0], y + by[1]))
        self.fit = self._solved()

    def take_away(self) -> None:
        """The mark in hand is not to be seen."""
        if self.chosen in self.marks_px:
            self._remember()
            del self.marks_px[self.chosen]
            self.fit = self._solved()
        self.choose(1)

    def undo(self) -> bool:
        if not self._before:
            return False
        self.marks_px, self.chosen = self._before.pop()
        self.fit = self._solved()
        return True

    def guess(self, name: str) -> Pixel | None:
        """Where the others say that a mark is; None where they do not."""
        if self.fit.camera is None:
            return None
        x, y = self.fit.camera.project(MARKS[name])
        return (float(x), float(y)) if 0 <= x <= self.size_px[0] and 0 <= y <= self.size_px[1] else None

    def forecast(self) -> Forecast | None:
        return forecast(self.fit.camera, self.fps) if self.fit.camera is not None else None

    def advice(self) -> list[Advice]:
        return advice(self.fit.camera, self.fps) if self.fit.camera is not None else []

    def marks(self) -> Marks:
        """As they would be saved; a lens and measured points that were in the file stay."""
        begun = self._begun
        lens = {key: getattr(begun, key) for key in files.LENS} if begun else {}
        return Marks(*self.size_px, MappingProxyType(dict(self.marks_px)), begun.measured if begun else (), **lens)

    def _inside(self, point: Pixel) -> Pixel:
        return tuple(round(min(max(v, 0.0), float(most)), 1) for v, most in zip(point, self.size_px))

    def _remember(self) -> None:
        self._before.append((dict(self.marks_px), self.chosen))

    def _refitted(self) -> Fit:
        """While a hand moves a mark: the same camera, brought after it."""
        if self.fit.camera is None:
            return Fit(None, self.fit.why, self.fit.suspects, True)
        return Fit(cameras.refit(self.fit.camera, self.marks_px, self.marks().measured), moving=True)

    def _solved(self) -> Fit:
        still = self._still()
        try:
            now = paint.sharpened(self.marks(), () if still is None else (still,))
            return Fit(now.camera(), creases=len(now.paint))
        except MarksFault as e:
            return Fit(None, str(e), e.suspects)


def save(marks: Marks, path: Path) -> None:
    """The whole file or the one that was there before."""
    write(files.to_toml(marks).encode("utf-8"), path)


def write(text: bytes, path: Path) -> None:
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, path)
    except OSError as e:
        raise Fault(f"the marks in {path}", e.strerror or str(e), "look at the disk and its rights") from e


def _far(a: Pixel, b: Pixel) -> float:
    return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5
