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
TRIED = 64                      # the size at which a text's proportions are taken
LEADING = 0.28                  # clear space between two lines, in letter heights
DEVANAGARI = re.compile("[\u0900-\u097f\ua8e0-\ua8ff]")
VIRAMA = "\u094d"
NO_LETTER = "\uffff"             # for which no face has a form but its box for what is missing


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
        ink_px = max(n.above_px for n in self.lines) + max(n.below_px for n in self.lines)
        return ink_px + round(LEADING * self.letter_px)

    @property
    def size(self) -> tuple[int, int]:
        height_px = self.lines[0].above_px + self.pitch_px * (len(self.lines) - 1) + self.lines[-1].below_px
        return max(n.ink.width for n in self.lines), height_px

    def draw(self, onto: pygame.Surface, box: pygame.Rect, across: float = 0.5, down: float = 0.5) -> pygame.Rect:
        """Put the ink into the box: 0 at its left or top, 0.5 in the middle, 1 at its right or bottom. Where it is."""
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
    return _capital_px(bool(DEVANAGARI.search(text)), size)


def writable(text: str) -> bool:
    """Whether the face has every letter of the text."""
    missing = _printed(NO_LETTER)
    return all(_joiner(c) or _printed(c) != missing for c in text)


@lru_cache(64)
def _fitted(text: str, size: tuple[int, int], colour: Colour, lines: int, most_px: int | None, least_px: int) -> Block:
    ways = [text.split("\n")] if "\n" in text else _breaks(text.split(" "), lines, " ")
    best = max(ways, key=lambda broken: _guess(broken, size, most_px))
    if lines > 1 and letter_px(text, round(_guess(best, size, most_px))) < least_px:
        ways = [best, *_breaks(_clusters(text.replace("\n", " ")), lines, "")]
        best = max(ways, key=lambda broken: _guess(broken, size, most_px))
    return _block(best, _largest(best, size, most_px), colour)


def _breaks(pieces: list[str], lines: int, glue: str) -> list[list[str]]:
    """For every number of lines the way to break that keeps the longest line shortest."""
    out = []
    for n in range(1, min(lines, len(pieces)) + 1):
        ways = ([0, *cut, len(pieces)] for cut in combinations(range(1, len(pieces)), n - 1))
        broken = ([glue.join(pieces[a:b]).strip() for a, b in zip(way, way[1:])] for way in ways)
        out.append(min(broken, key=lambda b: max(len(t) for t in b)))
    return out


def _guess(broken: list[str], size: tuple[int, int], most_px: int | None) -> float:
    """The font size at which the lines fill the box, if letters grew evenly; they nearly do."""
    block = _block(broken, TRIED, (255, 255, 255))
    grow = min(most / max(1, now) for most, now in zip(size, block.size))
    if most_px is not None:
        grow = min(grow, most_px / block.letter_px)
    return min(max(TRIED * grow, SMALLEST), LARGEST)


def _largest(broken: list[str], size: tuple[int, int], most_px: int | None) -> int:
    """The largest font size at which the lines do fit, by halving near the guess; SMALLEST where none does."""
    guess = _guess(broken, size, most_px)
    low, high = max(SMALLEST, int(guess * 0.94) - 2), min(LARGEST, int(guess * 1.03) + 2)
    while low > SMALLEST and not _fits(broken, low, size, most_px):
        low = max(SMALLEST, low - 4)
    while low < high:
        middle = (low + high + 1) // 2
        if _fits(broken, middle, size, most_px):
            low = middle
        else:
            high = middle - 1
    return low


def _fits(broken: list[str], font_size: int, size: tuple[int, int], most_px: int | None) -> bool:
    block = _block(broken, font_size, (255, 255, 255))
    return block.size[0] <= size[0] and block.size[1] <= size[1] and (most_px is None or block.letter_px <= most_px)


def _block(broken: list[str], font_size: int, colour: Colour) -> Block:
    return Block(tuple(_line(t, font_size, colour) for t in broken), letter_px("".join(broken), font_size))


@lru_cache(2048)
def _capital_px(devanagari: bool, size: int) -> int:
    return _font(size, devanagari).render("क" if devanagari else "H", True, (255, 255, 255)).get_bounding_rect().height


@lru_cache(48)          # images are large
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


def _printed(letter: str) -> bytes:
    return pygame.image.tobytes(_font(32, False).render(letter, True, (255, 255, 255)), "RGBA")


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
