"""Banner: something is wrong: what it is, and what goes on. It lies over the foot of any scene and stops none."""
from __future__ import annotations

import pygame

from kiosk.drawing import plates, tokens
from kiosk.screen import Screen

HIGH, SLIM = 0.30, 0.20       # of the screen's height


def draw(screen: Screen, lines: tuple[str, ...], slim: bool = False) -> pygame.Rect:
    """Ink on chalk: the one plate that is light, and no colour of a verdict. Where it lies."""
    share = SLIM if slim else HIGH
    h = screen.size[1]
    box = screen.box(0.0, 1 - share, 1.0, share)
    pygame.draw.rect(screen.surface, tokens.INK, box)
    pygame.draw.rect(screen.surface, tokens.CHALK, box.inflate(0, -round(h * 0.015)))
    inside = box.inflate(-round(h * 0.08), -round(h * 0.035))
    first_px = round(h * 0.06) if slim else screen.heights.second_px
    if len(lines) == 1:
        plates.words(screen.surface, inside, lines[0], tokens.INK, 2, first_px, across=0.0)
        return box
    what = pygame.Rect(inside.x, inside.y, inside.width, round(inside.height * 0.52))
    rest = pygame.Rect(inside.x, what.bottom, inside.width, inside.bottom - what.bottom)
    plates.words(screen.surface, what, lines[0], tokens.INK, 1, first_px, across=0.0, down=0.3)
    plates.words(screen.surface, rest, lines[1], tokens.INK, 1, round(h * 0.05), across=0.0, down=0.7)
    return box
