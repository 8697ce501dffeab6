"""Pictures of every screen for people to look at: both languages, both sizes.

    PYTHONPATH=src:. .venv/bin/python -m tests.eye.scenes FOLDER

The players, the net and the balls are invented.
"""
from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import Iterator

import numpy as np

from creaseside.lines import Points
from creaseside.settings import Screen as Asked
from creaseside.stamps import NS, Stamp
from kiosk import troubles
from kiosk.scenes.replay_plan import ReplayPlan
from kiosk.scenes.scene import Pictures
from kiosk.scenes.stage import Stage
from kiosk.scenes.view import Choice, Gate, Replay, View
from kiosk.screen import Screen
from kiosk.texts import Texts

SIZES = ((1280, 720), (1920, 1080))
LEG = ((760.0, 330.0), (815.0, 455.0), (850.0, 590.0))
NAMES = {"en": ("Isha", "Tom"), "hi": ("क्षितिज", "हर्षिता")}
MENU = ("back", "next_player", "previous_player", "replay", "skip", "add_ball", "undo", "pain")


def net(frame: int) -> np.ndarray:
    """A drawn net with a stick figure in white trousers, (720, 1280, 3) BGR."""
    import cv2
    bgr = np.full((720, 1280, 3), (58, 96, 70), np.uint8)
    bgr[:430] = (48, 66, 52)
    for x in range(0, 1280, 22):
        cv2.line(bgr, (x, 120), (x, 430), (70, 90, 74), 1)
    cv2.line(bgr, (0, 560), (1280, 620), (230, 235, 235), 5)
    hip, knee, ankle = (tuple(int(c) for c in p) for p in LEG)
    chest, head = (735, 190), (735, 120)
    for a, b in ((hip, knee), (knee, ankle), (hip, (660, 450)), ((660, 450), (560, 560)), (hip, chest)):
        cv2.line(bgr, a, b, (225, 228, 230), 46, cv2.LINE_AA)
    cv2.line(bgr, chest, (860, 90 + frame % 40), (150, 170, 205), 26, cv2.LINE_AA)
    cv2.line(bgr, chest, (640, 260), (150, 170, 205), 26, cv2.LINE_AA)
    cv2.circle(bgr, head, 44, (120, 150, 190), -1, cv2.LINE_AA)
    return bgr


def pictures() -> Pictures:
    return Pictures(net, lambda first_ns, last_ns: [Stamp(last_ns * 60 // NS, last_ns)])


def replay(line: Points = LEG) -> Replay:
    stamps = [Stamp(i, i * NS // 120) for i in range(360)]
    return Replay(ReplayPlan(0, 359 * NS // 120, NS, 2 * NS, 3 * NS // 2, 0.25, 3.0), stamps, line)


def judged(texts: Texts, base: View, measure: str, verdict: str | None, value: float | None, sd: float, low: float,
           high: float, age: str) -> View:
    """The view of a ball, put together the way the kiosk does it."""
    gate = Gate.of(low, high, value, sd, texts.left_is_high(measure))
    return dataclasses.replace(
        base, verdict=verdict or "not seen", word=texts.verdict(measure, verdict, value, low, high, age),
        value=texts.number(measure, value, sd, age), gate=gate, ends=texts.ends(measure, age))


def screens(texts: Texts) -> Iterator[tuple[str, str, View, int]]:
    """Name of the picture, the scene, its view, and how long it has been on when it is taken."""
    player, other = NAMES[texts.language]
    block, _ = texts.block("focus")
    base = View(player, "left", 14, block, "", 3, 12, texts.cue("approach_deg", "adult"),
                last=("hit", "miss", "unsure", "counted"), next_player=other, live=True)
    yield "up", "up", base, 0
    long = dataclasses.replace(base, player="Maximiliana Featherstonehaugh" if texts.language == "en" else
                               "ज्ञानेश्वरी त्रिविक्रमसिंह", cue=texts.cue("front_knee_ffc_deg", "teen"),
                               messages=(texts.say("too_dark"), texts.say("camera_slow", found=31, asked=120)))
    yield "up_long", "up", long, 0
    knee = "front_knee_ffc_deg"
    hit = judged(texts, base, knee, "hit", 168.2, 2.1, 163.0, 176.0, "adult")
    cases = {"hit": hit,
             "miss": judged(texts, base, "approach_deg", "miss", 9.2, 1.1, -4.0, 4.0, "adult"),
             "unsure": judged(texts, base, knee, "unsure", 162.0, 3.0, 163.0, 176.0, "adult"),
             "not_seen": judged(texts, base, knee, None, None, 0.0, 163.0, 176.0, "adult"),
             "teen": judged(texts, base, knee, "miss", 152.0, 3.0, 160.0, 172.0, "teen"),
             "child": judged(texts, base, knee, "hit", 166.0, 2.0, 160.0, 172.0, "child")}
    for name, view in cases.items():
        yield f"verdict_{name}", "verdict", view, 0
        yield f"replay_{name}", "replay", dataclasses.replace(view, replay=replay()), 4 * NS
    hidden = judged(texts, base, "turn_deg", None, None, 0.0, -5.0, 5.0, "adult")      # a foot that was hidden has no line
    yield "replay_hidden", "replay", dataclasses.replace(hidden, replay=replay(())), 4 * NS
    yield "replay_slow", "replay", dataclasses.replace(hit, replay=replay()), 2 * NS
    yield "banner", "up", dataclasses.replace(base, banner=(texts.say("camera_lost"), texts.say("goes_on_by_hand"))), 0
    yield "banner_replay", "replay", dataclasses.replace(
        hit, replay=replay(), banner=(texts.say("log_full"), texts.say("goes_on_unsaved"))), 4 * NS
    yield "waiting", "waiting", base, 10 * NS
    hurt = dataclasses.replace(base, messages=(*troubles.damaged(texts, ("settings",)),
                                               texts.say("no_sound")))
    yield "up_damaged", "up", hurt, 0
    yield "waiting_damaged", "waiting", hurt, 10 * NS
    yield "waiting_moved", "waiting", base, 200 * NS
    yield "waiting_dim", "waiting", dataclasses.replace(base, live=False), 700 * NS
    yield "waiting_dark", "waiting", base, 2000 * NS
    for kind in ("warm_up", "no_feedback"):
        name, note = texts.block(kind)
        yield f"block_{kind}", "block", dataclasses.replace(base, block=name, block_note=note, block_balls=6), 0
    yield "limit", "limit", dataclasses.replace(base, ball=36), 0
    stop = tuple(Choice(a, texts.say(f"pain_{w}")) for a, w in (("pain", "yes"), ("cancel", "no")))
    yield "pain", "pain", dataclasses.replace(base, choices=stop), 0
    yield "pain_adult", "pain", dataclasses.replace(base, under_18=False), 0
    yield "ask_pain", "ask", dataclasses.replace(base, question=texts.say("pain_question"), choices=stop), 0
    menu = tuple(Choice(a, texts.say(f"menu_{a}")) for a in MENU)
    yield "ask_menu", "ask", dataclasses.replace(base, question=texts.say("menu"), choices=menu), 0


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for width_px, height_px in SIZES:
        screen = Screen(Asked(width_px=width_px, height_px=height_px), headless=True)
        for language in ("en", "hi"):
            texts = Texts(language)
            stage = Stage(screen, texts, pictures())
            for name, scene, view, after_ns in screens(texts):
                stage.show(scene, view, 0)
                stage.scene.tick(0)
                stage.scene.stale = True
                stage.scene.holds_s = None      # what is looked at does not go away
                stage.tick(after_ns)
                screen.photo(folder / f"{height_px}_{language}_{name}.png")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("asked a folder for the pictures; found none; give it: python -m tests.eye.scenes FOLDER")
    main(Path(sys.argv[1]))
