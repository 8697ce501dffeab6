"""Flip: what one flip of the screen costs, tried in a process of its own, since the display library reads its switches
once.

It draws nothing that anybody should look at, and it decides nothing but which switch is cheaper.
"""
from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from kiosk import clock

SWITCH = "SDL_FRAMEBUFFER_ACCELERATION"   # "0": no detour over OpenGL, which is slow where that is software
TRIES = 30
PATIENCE_S = 20
HOUSE = Path(__file__).resolve().parents[1]


@dataclass(frozen=True, slots=True)
class Flip:
    """driver: SDL's name for the display. wall_ms: median of a flip. cpu_ms: processor time of a flip."""

    driver: str
    wall_ms: float
    cpu_ms: float


def measured(width_px: int, height_px: int, switch: str | None) -> Flip | str:
    """A flip with the switch at that value (None: as it comes), or why there was none."""
    env = {k: v for k, v in os.environ.items() if k != SWITCH} | ({SWITCH: switch} if switch is not None else {})
    try:
        done = subprocess.run([sys.executable, "-m", "kiosk.flip", str(width_px), str(height_px)], cwd=HOUSE, env=env,
                              capture_output=True, text=True, timeout=PATIENCE_S)
        return Flip(**json.loads(done.stdout.splitlines()[-1]))
    except subprocess.TimeoutExpired:
        return f"a display that does not answer within {PATIENCE_S} s"
    except (IndexError, ValueError, TypeError):
        return (done.stderr.strip().splitlines() or ["no display"])[-1]


def cheaper(plain: Flip, switched: Flip) -> str | None:
    """The switch's value to run with: "0" where that saves processor time worth having, else None."""
    return "0" if switched.cpu_ms < 0.7 * plain.cpu_ms and plain.cpu_ms > 1 else None


def main(width_px: int, height_px: int) -> None:
    import pygame
    pygame.display.init()
    screen = pygame.display.set_mode((width_px, height_px))
    walls, cpu_ns = [], clock.cpu_ns()
    for i in range(TRIES):
        screen.fill((i, i, i))
        pygame.event.pump()
        before_ns = clock.now_ns()
        pygame.display.flip()
        walls.append((clock.now_ns() - before_ns) / 1e6)
    cpu_ms = (clock.cpu_ns() - cpu_ns) / 1e6 / TRIES
    print(json.dumps({"driver": pygame.display.get_driver(), "wall_ms": sorted(walls)[TRIES // 2], "cpu_ms": cpu_ms}))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
