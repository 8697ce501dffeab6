"""Every sight of the camera's set-up, for people to look at and for tests to measure; on the demo net.

    PYTHONPATH=src:. .venv/bin/python -m tests.eye.setup FOLDER
"""
from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import Iterator

import cv2
import numpy as np

from creaseside.ball import Value
from creaseside.settings import Screen as Asked
from kiosk import marks, picture, sources, standing_trial
from kiosk.placing import Placing
from kiosk.scenes.scene import Pictures
from kiosk.scenes.setup import Setup, Sight
from kiosk.screen import Screen
from kiosk.setting_up import SettingUp, Wish
from kiosk.texts import LANGUAGES, Texts

SIZES = ((1280, 720), (1920, 1080))
DEMO = marks.read(sources.DEMO_MARKS).marks_px
BAD = tuple(picture.Finding(*f, False) for f in (("rate", "slow"), ("light", "dim"), ("focus", "out_of_focus"), ("flicker", "yes")))
GOOD = tuple(picture.Finding(*f, True) for f in (("rate", "good"), ("light", "good_light"), ("focus", "sharp")))


@cache
def empty_net() -> np.ndarray:
    return cv2.VideoCapture(str(sources.DEMO)).read()[1]


def sights(texts: Texts) -> Iterator[tuple[str, Sight]]:
    """Name and sight, in the order in which somebody comes to them."""
    bad, good = picture.Judged(31.0, 120.0, None, BAD), picture.Judged(120.0, 120.0, None, GOOD)
    fresh = SettingUp(Placing((1280, 720), 120.0), texts, lambda now: None, lambda: None)
    yield "waiting", fresh.sight(None, good)
    yield "bad", fresh.sight(0, bad)
    yield "good", fresh.sight(0, good)
    for wish in (Wish("place"), Wish("take", DEMO["middle_stump_base"]), Wish("let_go"), Wish("next")):
        fresh.do(wish)
    yield "first", fresh.sight(0, good)
    on = SettingUp(Placing((1280, 720), 60.0, marks.read(sources.DEMO_MARKS), empty_net), texts, lambda now: None, lambda: None)
    on.do(Wish("place"))
    yield "placed", on.sight(0, good)
    on.do(Wish("take", DEMO["popping_crease_left"]))
    on.do(Wish("drag", (2.0, 9.0)))
    yield "dragged", on.sight(0, good)
    on.do(Wish("let_go"))
    yield "off", on.sight(0, good)
    on.do(Wish("nudge", (40.0, 0.0)))
    yield "wrong", on.sight(0, good)
    for _ in range(2):
        on.do(Wish("undo"))
    on.do(Wish("done"))
    yield "agree", on.sight(0, good)
    on.do(Wish("keep"))
    yield "kept", on.sight(0, good)
    for name, found in (("wait", None), ("again", Value.missing("the knee was bent: stand tall")), ("found", Value(174.2, 0.8))):
        yield f"stand_{name}", standing_trial.sight(texts, 0, found)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for width_px, height_px in SIZES:
        screen = Screen(Asked(width_px=width_px, height_px=height_px), headless=True)
        for language in LANGUAGES:
            texts = Texts(language)
            scene = Setup(screen, texts, Pictures(lambda frame: empty_net()))
            for name, sight in sights(texts):
                scene.enter(sight, 0)
                scene.tick(0)
                screen.photo(folder / f"{height_px}_{language}_setup_{name}.png")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("asked a folder for the pictures; found none; give it: python -m tests.eye.setup FOLDER")
    main(Path(sys.argv[1]))
