"""Marks: the shapes that say the same as the colours, the six tiles of an over, and the gate.

The gate is two posts on a line, set by the coach for the ball to land between. The bar behind the ball is how sure the
number is, two standard deviations to either side: where it crosses a post the verdict is unsure, and all can see why.
"""
from __future__ import annotations

from typing import Sequence

import pygame

from kiosk.drawing import tokens
from kiosk.drawing.letters import fit
from kiosk.scenes.view import Gate

TILES = 6
SURE_SD = 2.0
END_WORDS = 0.36        # of the gate's height, for the words at its ends and the marks above and below their letters


def mark(onto: pygame.Surface, middle: tuple[float, float], radius_px: float, verdict: str | None) -> None:
    """Disc: inside; diamond: outside; open ring: unsure or not seen; small dot: a ball that was only counted."""
    x, y, r = round(middle[0]), round(middle[1]), max(3, round(radius_px))
    colour = tokens.BY_VERDICT.get(verdict, tokens.DIM)
    if verdict == "hit":
        pygame.draw.circle(onto, colour, (x, y), r)
    elif verdict == "miss":
        d = round(r * 1.25)          # as much ink as the disc
        pygame.draw.polygon(onto, colour, [(x, y - d), (x + d, y), (x, y + d), (x - d, y)])
    elif verdict in ("unsure", "not seen"):
        pygame.draw.circle(onto, colour, (x, y), r, max(3, round(r * 0.28)))
    else:
        pygame.draw.circle(onto, tokens.DIM, (x, y), max(2, r // 4))


def tiles(onto: pygame.Surface, box: pygame.Rect, last: Sequence[str]) -> pygame.Rect:
    """The balls of the over, oldest first, as plates of the box's height from its left edge. Where they ended up."""
    side, gap = box.height, round(box.height * 0.15)
    for i in range(TILES):
        plate = pygame.Rect(box.x + i * (side + gap), box.y, side, side)
        pygame.draw.rect(onto, tokens.PLATE, plate, border_radius=round(side * 0.12))
        if i < len(last):
            mark(onto, plate.center, side * 0.30, last[i])
    return pygame.Rect(box.x, box.y, TILES * side + (TILES - 1) * gap, side)


def gate(onto: pygame.Surface, box: pygame.Rect, of: Gate, verdict: str | None, ends: tuple[str, str]) -> None:
    """Posts, bar and ball on a line across the box; the words for the line's two ends below it."""
    room = round(box.height * END_WORDS)
    line_y = box.bottom - room - round(box.height * 0.08)
    tall = line_y - box.y
    thick = max(4, round(box.height * 0.05))
    pygame.draw.line(onto, tokens.ROPE, (box.left, line_y), (box.right, line_y), thick)
    posts = [_x(box, of, at) for at in (of.low, of.high) if at is not None]
    for x in posts:
        pygame.draw.rect(onto, tokens.CHALK, (x - thick, box.y, 2 * thick, tall + 2 * thick))
    left, right = _opening(box, of)
    pygame.draw.line(onto, tokens.CHALK, (left, line_y), (right, line_y), thick + 2)
    if of.value is not None:
        _ball(onto, box, of, verdict, line_y, tall, thick)
    _end_words(onto, pygame.Rect(box.x, box.bottom - room, box.width, room), ends)


def _end_words(onto: pygame.Surface, box: pygame.Rect, ends: tuple[str, str]) -> None:
    """One at each end, on one base line."""
    most_px = round(tokens.LEAST * 1.1 * onto.get_height())
    blocks = [fit(word, (box.width // 2, box.height), tokens.DIM, most_px=most_px) for word in ends]
    highest_px = max((b.lines[0].above_px for b in blocks if b), default=0)
    for block, across in zip(blocks, (0.0, 1.0)):
        if block:
            block.draw(onto, box.move(0, highest_px - block.lines[0].above_px), across, 0.0)


def _ball(onto: pygame.Surface, box: pygame.Rect, of: Gate, verdict: str | None, line_y: int, tall: int,
          thick: int) -> None:
    radius = round(tall * 0.31)
    middle = (_x(box, of, of.value), line_y - round(tall * 0.36))
    colour = tokens.BY_VERDICT.get(verdict, tokens.DIM)
    if of.sd is not None:
        left, right = sorted(_x(box, of, of.value + k * of.sd) for k in (-SURE_SD, SURE_SD))
        bar = pygame.Rect(left, middle[1] - thick, max(1, right - left), 2 * thick)
        pygame.draw.rect(onto, colour, bar, border_radius=thick)
    if verdict in ("unsure", "not seen"):      # the ring stays open: the bar does not show through
        pygame.draw.circle(onto, tokens.INK, middle, radius)
    mark(onto, middle, radius, verdict if verdict in ("hit", "miss") else "unsure")


def _x(box: pygame.Rect, of: Gate, value: float) -> int:
    """Where a value is on the line; beyond the line's ends, at the end."""
    left, right = of.scale
    share = (value - left) / (right - left) if right != left else 0.5
    return box.x + round(min(max(share, 0.0), 1.0) * box.width)


def _opening(box: pygame.Rect, of: Gate) -> tuple[int, int]:
    """The part of the line that is inside; a side without a post is open to the line's end."""
    low_end, high_end = (box.left, box.right) if of.scale[0] <= of.scale[1] else (box.right, box.left)
    low = low_end if of.low is None else _x(box, of, of.low)
    high = high_end if of.high is None else _x(box, of, of.high)
    return min(low, high), max(low, high)
