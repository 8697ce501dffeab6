"""Plates: the board's grounds, its notes and its large buttons."""
from __future__ import annotations

import pygame

from kiosk.drawing import tokens
from kiosk.drawing.letters import Block, fit


def plate(onto: pygame.Surface, box: pygame.Rect, colour: tokens.Colour = tokens.PLATE) -> pygame.Rect:
    """A plate, and the box inside it that letters may use."""
    pygame.draw.rect(onto, colour, box, border_radius=round(onto.get_height() * 0.02))
    pad = round(onto.get_height() * 0.025)
    return box.inflate(-2 * pad, -2 * pad)


def words(onto: pygame.Surface, box: pygame.Rect, text: str, colour: tokens.Colour = tokens.CHALK, lines: int = 1,
          most_px: int | None = None, across: float = 0.5, down: float = 0.5) -> pygame.Rect:
    """The text in the box, as large as it goes; where its ink is."""
    block = fitted(onto, box.size, text, colour, lines, most_px)
    return block.draw(onto, box, across, down) if block else pygame.Rect(box.topleft, (0, 0))


def fitted(onto: pygame.Surface, size: tuple[int, int], text: str, colour: tokens.Colour = tokens.CHALK, lines: int = 1,
           most_px: int | None = None) -> Block | None:
    """The same text, set and not drawn."""
    return fit(text, size, colour, lines, most_px, round(tokens.LEAST * onto.get_height()))


def button(onto: pygame.Surface, box: pygame.Rect, text: str, lit: bool) -> None:
    """A thing to press. The one that is lit is chalk; the others are outlined."""
    plate(onto, box, tokens.CHALK if lit else tokens.PLATE)
    pad, high = round(onto.get_height() * 0.014), onto.get_height()
    inside = box.inflate(-2 * pad, -2 * pad)
    if not lit:
        pygame.draw.rect(onto, tokens.DIM, box, max(2, high // 240), border_radius=round(high * 0.02))
    block = fit(text, inside.size, tokens.INK if lit else tokens.CHALK, 2, round(high * 0.06), round(tokens.LEAST * high))
    if block:
        block.draw(onto, inside.move(0, _level(block, inside)))


def _level(block: Block, box: pygame.Rect) -> int:
    """How far a line is moved so that words beside each other stand on one base line, as far as the box allows."""
    if len(block.lines) > 1:
        return 0
    above, below = block.lines[0].above_px, block.lines[0].below_px
    room = max(0, (box.height - above - below) // 2)
    return min(max(round((below - above + block.letter_px) / 2), -room), room)
