"""Screen: the window, what is drawn on it from a camera's picture, and the only place where a picture may be mirrored.

It knows no scene and no ball. Without a display it draws just the same, where nobody sees it, and says so.
"""
from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from creaseside.settings import Screen as Asked
from kiosk.drawing.tokens import INK, Heights
from kiosk.faults import Fault

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
import pygame  # noqa: E402

ACCELERATION = "SDL_FRAMEBUFFER_ACCELERATION"


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a picture went: its box on the screen, its scale, and whether it is mirrored."""

    box: pygame.Rect
    scale: float
    mirrored: bool

    def at(self, point_px: tuple[float, float]) -> tuple[float, float]:
        """A pixel of the frame as a pixel of the screen."""
        x, y = (point_px[0] + 0.5) * self.scale, (point_px[1] + 0.5) * self.scale
        return self.box.x + (self.box.width - x if self.mirrored else x), self.box.y + y


class Screen:
    """way: "whole screen", "window" or "headless". why: the reason for headless, else "". heights: of letters."""

    def __init__(self, asked: Asked, headless: bool = False, mirrored: bool = False) -> None:
        self.mirrored, self.blur_waiting, self.flips = mirrored, asked.blur_waiting, 0
        self.surface, self.way, self.why = _opened(asked, headless)
        self.size: tuple[int, int] = self.surface.get_size()
        self.heights = Heights.on(self.size, asked.screen_inches, asked.view_distance_m)
        self.surface.fill(INK)

    @property
    def rect(self) -> pygame.Rect:
        return self.surface.get_rect()

    def box(self, x: float, y: float, width: float, height: float) -> pygame.Rect:
        """A box given in shares of the screen, as pixels."""
        w, h = self.size
        left, top = round(x * w), round(y * h)
        return pygame.Rect(left, top, round((x + width) * w) - left, round((y + height) * h) - top)

    def flip(self) -> None:
        pygame.display.flip()
        self.flips += 1

    def photo(self, path: Path | str) -> None:
        """What is on the screen, as a PNG file."""
        try:
            pygame.image.save(self.surface, str(path))
        except (pygame.error, OSError) as e:
            raise Fault(f"a photo of the screen at {path}", str(e), "give a file that may be written") from e

    def draw_picture(self, bgr: np.ndarray, box: pygame.Rect) -> Placed:
        """The whole picture, (H, W, 3) uint8, as large as the box allows and in its middle."""
        import cv2
        height_px, width_px = bgr.shape[:2]
        scale = min(box.width / width_px, box.height / height_px)
        size = max(1, round(width_px * scale)), max(1, round(height_px * scale))
        if size != (width_px, height_px):
            bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA if scale < 0.5 else cv2.INTER_LINEAR)
        if self.mirrored:
            bgr = cv2.flip(bgr, 1)
        placed = Placed(pygame.Rect((0, 0), size), scale, self.mirrored)
        placed.box.center = box.center
        self.surface.blit(pygame.image.frombuffer(np.ascontiguousarray(bgr), size, "BGR"), placed.box)
        return placed

    def close(self) -> None:
        pygame.display.quit()


def _opened(asked: Asked, headless: bool) -> tuple[pygame.Surface, str, str]:
    """The surface, the way, and why there is no display where there is none."""
    why = "it was asked for" if headless else ""
    if not headless:
        if sys.platform.startswith("linux"):
            # One flip of 1080p costs 28 ms by way of OpenGL in software and 1.2 ms without it, measured under Xvfb.
            os.environ.setdefault(ACCELERATION, "0")
        try:
            return *_window(asked), ""
        except pygame.error as e:
            why = str(e)
    pygame.display.quit()
    os.environ["SDL_VIDEODRIVER"] = "dummy"
    pygame.display.init()
    return pygame.display.set_mode((asked.width_px, asked.height_px)), "headless", why


def _window(asked: Asked) -> tuple[pygame.Surface, str]:
    pygame.display.init()
    if pygame.display.get_driver() in ("dummy", "offscreen"):
        raise pygame.error(f"the display driver is {pygame.display.get_driver()!r}")
    pygame.display.set_caption("creaseside")
    pygame.display.set_allow_screensaver(False)
    size, flags = ((0, 0), pygame.FULLSCREEN) if asked.fullscreen else ((asked.width_px, asked.height_px), 0)
    try:
        surface = pygame.display.set_mode(size, flags)
    except pygame.error:                      # some displays have no other way than the accelerated one
        os.environ.pop(ACCELERATION, None)
        pygame.display.quit()
        pygame.display.init()
        surface = pygame.display.set_mode(size, flags)
    pygame.mouse.set_visible(not asked.fullscreen)
    return surface, "whole screen" if asked.fullscreen else "window"
