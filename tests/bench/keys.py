"""How long a key takes to be on the screen, all the way through a coach's and two players' session.

    PYTHONPATH=src:. .venv/bin/python -m tests.bench.keys [720|1080]

Left out: the key that ends a PIN, which waits for the PIN's hash, slow on purpose; the kiosk hashes beside its loop.

A key waits for the loop's next turn (at most 10 ms, counted whole here), is handled at that turn's end and drawn in the
next. The loop, the log on the disk and the screen are real; the eyes are not, so that nothing else uses the machine.
"""
from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pygame

from kiosk.loop import TURN_NS
from tests.eye.hall import Hall
from tests.eye.walk import SIZES, walk


class Timed(Hall):
    """Every key with the time until it was drawn, ms."""

    def __init__(self, *given, **named) -> None:
        super().__init__(*given, **named)
        self.took_ms: list[float] = []

    def _event(self, event) -> None:
        pin = str(getattr(self.stage.view, "question", "")).startswith(self.say("pin"))
        began = time.perf_counter()
        super()._event(event)
        if not (pin and getattr(event, "key", None) == pygame.K_RETURN):
            self.took_ms.append((time.perf_counter() - began) * 1e3 + 2 * TURN_NS / 1e6)


def main(height: int) -> None:
    with tempfile.TemporaryDirectory() as home:
        hall = Timed(Path(home), language="en", size=SIZES[height])
        walk(hall, lambda name: None)
        hall.close()
    p50, p95, most = np.percentile(hall.took_ms, (50, 95, 100))
    print(f"{len(hall.took_ms)} keys at {height} lines: median {p50:.0f} ms, 95 of 100 within {p95:.0f} ms, most {most:.0f} ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 1080)
