"""Letters: text set as large as its box allows, in one or more lines, and never cut.

A letter's height is that of a capital H, or in Devanagari that of a क from its head line down: what the eye reads.
"""
from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from pathlib import Path

import pygame

from kiosk.drawing.tokens import Colour

FACE = Path(__file__).resolve().parents[2] / "assets" / "fonts" / "board-bold.ttf"
SMALLEST, LARGEST = 6, 1200     # font sizes, pixels
LEADING = 0.28                  # clear space between two lines, in letter heights
DEVANAGARI = re.compile("[\u0900-\u097f\ua8e0-\ua8ff]")
VIRAMA = "\u094d"


@dataclass(frozen=True, slots=True)
class Line:
    """One line, drawn: where its ink is in `image`, and how much of it is above and below the base line."""

    image: pygame.Surface
    ink: pygame.Rect
    above_px: int
    below_px: int


@dataclass(frozen=True, slots=True)
class Block:
    """Lines of one size, one under the other. letter_px: the height of a capital in it."""

    lines: tuple[Line, ...]
    letter_px: int

    @property
    def pitch_px(self) -> int:
        """From one base line to the next."""
        return max(n.above_px for n in self.lines) + max(n.below_px for n in self.lines) + round(LEADING * self.letter_px)

    @property
    def size(self) -> tuple[int, int]:
        height_px = self.lines[0].above_px + self.pitch_px * (len(self.lines) - 1) + self.lines[-1].below_px
        return max(n.ink.width for n in self.lines), height_px

    def draw(self, onto: pygame.Surface, box: pygame.Rect, across: float = 0.5, down: float = 0.5) -> pygame.Rect:
        """Put the ink into the box: 0 at its left or top, 0.5 in the middle, 1 at its right or bottom. Where it went."""
        width_px, height_px = self.size
        top_px = box.y + round((box.height - height_px) * down)
        base_px = top_px + self.lines[0].above_px
        for line in self.lines:
            x_px = box.x + round((box.width - line.ink.width) * across)
            onto.blit(line.image, (x_px, base_px - line.above_px), line.ink)
            base_px += self.pitch_px
        return pygame.Rect(box.x + round((box.width - width_px) * across), top_px, width_px, height_px)


def fit(text: str, size: tuple[int, int], colour: Colour, lines: int = 1, most_px: int | None = None,
        least_px: int = 0) -> Block | None:
    """The text as large as `size` allows in up to `lines` lines, its letters no taller than `most_px`.

    Words stay whole unless that would make the letters smaller than `least_px`. A line break in the text is kept where
    there may be more than one line. None for a text without a sign to show.
    """
    text = ("\n" if lines > 1 else " ").join(t for t in (" ".join(part.split()) for part in text.splitlines()) if t)
    if not text or min(size) < 1:
        return None
    return _fitted(text, tuple(size), colour, lines, most_px, least_px)


def letter_px(text: str, size: int) -> int:
    """How tall a capital is where `text` is set in that font size."""
    return _line("क" if DEVANAGARI.search(text) else "H", size, (255, 255, 255)).ink.height


def writable(text: str) -> bool:
    """Whether the face has every letter of the text."""
    return all(m is not None for c, m in zip(text, _font(32, False).metrics(text) or ()) if not _joiner(c))


@lru_cache(64)
def _fitted(text: str, size: tuple[int, int], colour: Colour, lines: int, most_px: int | None, least_px: int) -> Block:
    best_size, best = 0, [text]
    for broken in [text.split("\n")] if "\n" in text else _breaks(text.split(" "), lines, " "):
        if (found := _largest(broken, size, most_px)) > best_size:
            best_size, best = found, broken
    if letter_px(text, best_size) < least_px and lines > 1:
        for broken in _breaks(_clusters(text.replace("\n", " ")), lines, ""):
            if (found := _largest(broken, size, most_px)) > best_size:
                best_size, best = found, broken
    return _block(best, best_size, colour)


def _breaks(pieces: list[str], lines: int, glue: str) -> list[list[str]]:
    """For every number of lines the way to break that keeps the longest line shortest."""
    out = []
    for n in range(1, min(lines, len(pieces)) + 1):
        ways = ([0, *cut, len(pieces)] for cut in combinations(range(1, len(pieces)), n - 1))
        broken = ([glue.join(pieces[a:b]).strip() for a, b in zip(way, way[1:])] for way in ways)
        out.append(min(broken, key=lambda b: max(len(t) for t in b)))
    return out


def _largest(broken: list[str], size: tuple[int, int], most_px: int | None) -> int:
    """The largest font size at which the lines fit, by halving; SMALLEST where none does."""
    low, high = SMALLEST, LARGEST
    while low < high:
        middle = (low + high + 1) // 2
        if _fits(broken, middle, size, most_px):
            low = middle
        else:
            high = middle - 1
    return low


def _fits(broken: list[str], font_size: int, size: tuple[int, int], most_px: int | None) -> bool:
    if most_px is not None and letter_px("".join(broken), font_size) > most_px:
        return False
    if max(_font(font_size, bool(DEVANAGARI.search(t))).size(t)[0] for t in broken) > 1.2 * size[0]:
        return False                        # clearly too wide: not worth drawing
    width_px, height_px = _block(broken, font_size, (255, 255, 255)).size
    return width_px <= size[0] and height_px <= size[1]


def _block(broken: list[str], font_size: int, colour: Colour) -> Block:
    return Block(tuple(_line(t, font_size, colour) for t in broken), letter_px("".join(broken), font_size))


@lru_cache(32)          # images are large
def _line(text: str, font_size: int, colour: Colour) -> Line:
    font = _font(font_size, bool(DEVANAGARI.search(text)))
    image = font.render(text, True, colour)
    ink = image.get_bounding_rect()
    # A line that rises above the face's ascent is drawn on a taller image, its base line as much lower.
    base_px = font.get_ascent() + image.get_height() - font.get_height()
    return Line(image, ink, max(1, base_px - ink.top), max(0, ink.bottom - base_px))


@lru_cache(64)          # each keeps its file open
def _font(size: int, devanagari: bool) -> pygame.font.Font:
    if not pygame.font.get_init():
        pygame.font.init()
    font = pygame.font.Font(FACE, size)
    font.set_script("Deva" if devanagari else "Latn")   # without it the shaper leaves conjuncts and the short i apart
    return font


def _clusters(text: str) -> list[str]:
    """The signs that a reader counts: a letter with its marks, a conjunct as one."""
    out: list[str] = []
    for c in text:
        if out and (unicodedata.category(c).startswith("M") or _joiner(c) or out[-1].endswith((VIRAMA, "\u200d"))):
            out[-1] += c
        else:
            out.append(c)
    return out


def _joiner(c: str) -> bool:
    return c in "\u200c\u200d"
