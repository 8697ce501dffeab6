"""Charts: SVG as text: scales, axes, the gate as a band, marks by verdict, error bars. No script, no network, no style
but classes. It knows no ball and no player; every number comes in pixels through a Scale.

Shapes as on the kiosk's screen: a disc inside the gate, a diamond outside, an open ring where it cannot be said.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Iterable, Sequence

from markupsafe import Markup, escape

WIDTH, HEIGHT = 960, 360
LEFT, RIGHT, TOP, BOTTOM = 62, 18, 16, 62


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line from values to pixels."""

    low: float
    high: float
    first_px: float
    last_px: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.first_px + share * (self.last_px - self.first_px)

    def clipped(self, value: float) -> float:
        return self(min(max(value, self.low), self.high))

    @classmethod
    def up(cls, values: Iterable[float | None], height: float = HEIGHT, bottom: float = BOTTOM) -> Scale:
        """A vertical scale that holds all finite values with some room; 0 to 1 where there is none."""
        seen = [v for v in values if v is not None and math.isfinite(v)]
        low, high = (min(seen), max(seen)) if seen else (0.0, 1.0)
        room = 0.06 * (high - low) or max(abs(high) * 0.05, 0.5)
        return cls(low - room, high + room, height - bottom, TOP)


def tag(name: str, *inside: Any, **given: Any) -> Markup:
    """An element; class_ is class, x_y is x-y, numbers to a tenth of a pixel, None is left out."""
    attributes = "".join(f' {k.rstrip("_").replace("_", "-")}="{escape(_plain(v))}"' for k,
                         v in given.items() if v is not None)
    return Markup(f"<{name}{attributes}>") + Markup("").join(inside) + Markup(f"</{name}>")


def _plain(value: Any) -> Any:
    return f"{value:.1f}" if isinstance(value, float) else value


def svg(says: str, *parts: Markup, width: int = WIDTH, height: int = HEIGHT, class_: str = "chart") -> Markup:
    """The whole picture; `says` is read out in its place."""
    return tag("svg", *parts, viewBox=f"0 0 {width} {height}", role="group", aria_label=says, class_=class_,
               xmlns="http://www.w3.org/2000/svg")


def text(x: float, y: float, words: str, anchor: str = "middle", class_: str = "small") -> Markup:
    return tag("text", escape(words), x=float(x), y=float(y), text_anchor=anchor, class_=class_)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> Markup:
    return tag("line", x1=float(x1), y1=float(y1), x2=float(x2), y2=float(y2), class_=class_)


def rect(x1: float, y1: float, x2: float, y2: float, class_: str, **more: Any) -> Markup:
    return tag("rect", x=float(min(x1, x2)), y=float(min(y1, y2)), width=float(abs(x2 - x1)),
               height=float(abs(y2 - y1)),
               class_=class_, **more)


def path(points: Sequence[tuple[float, float]], class_: str) -> Markup:
    """A line through the points; a NaN breaks it."""
    steps, pen = [], "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            steps.append(f"{pen}{x:.1f} {y:.1f}")
            pen = "L"
        else:
            pen = "M"
    return tag("path", d="".join(steps), class_=class_)


def mark(x: float, y: float, verdict: str | None, r: float = 6.0) -> Markup:
    """Disc: inside; diamond: outside; open ring: unsure; small dot: not judged."""
    if verdict == "miss":
        d = 1.25 * r
        return tag("path", d=f"M{x:.1f} {y - d:.1f}L{x + d:.1f} {y:.1f}L{x:.1f} {y + d:.1f}L{x - d:.1f} {y:.1f}Z",
                   class_="miss")
    size = {"hit": r, "unsure": 0.85 * r}.get(verdict or "", 0.6 * r)
    return tag("circle", cx=float(x), cy=float(y), r=float(size),
               class_=verdict if verdict in ("hit", "unsure") else "dot")


def linked(href: str | None, title: str, *parts: Markup) -> Markup:
    """Parts that lead to another view where there is one, with a title for pointer and reader."""
    inside = (tag("title", escape(title)), *parts)
    return tag("a", *inside, href=href, aria_label=title) if href else tag("g", *inside, role="img", aria_label=title)


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers within low..high, 1, 2 or 5 times a power of ten apart."""
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def up_axis(y: Scale, unit: str, left: float = LEFT, right: float = WIDTH - RIGHT) -> Markup:
    """Lines across at round numbers, their values on the left with the unit."""
    at = ticks(y.low, y.high)
    step = at[1] - at[0] if len(at) > 1 else 1.0
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    made = []
    for v in at:
        words = f"{v + 0.0:.{places}f}".replace("-", "−") + unit
        made += [line(left, y(v), right, y(v), "grid"), text(left - 8, y(v) + 4, words, "end")]
    return Markup("").join(made)


def gate(y: Scale, low: float | None, high: float | None, left: float = LEFT, right: float = WIDTH - RIGHT) -> Markup:
    """The gate as a band with its two posts as lines; an open side has none."""
    if low is None and high is None:
        return Markup("")
    ends = [y.low if low is None else low, y.high if high is None else high]
    posts = (line(left, y(p), right, y(p), "post") for p in (low, high) if p is not None and y.low <= p <= y.high)
    return rect(left, y.clipped(ends[0]), right, y.clipped(ends[1]), "gate") + Markup("").join(posts)


def bar(x: float, y: Scale, low: float, high: float, class_: str = "bar") -> Markup:
    """An error bar with its ends, cut where the scale ends."""
    a, b = y.clipped(low), y.clipped(high)
    return tag("path", d=f"M{x:.1f} {a:.1f}L{x:.1f} {b:.1f}M{x - 3:.1f} {a:.1f}h6M{x - 3:.1f} {b:.1f}h6", class_=class_)
