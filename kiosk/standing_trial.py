"""Standing trial: two seconds of a player who stands tall, posed by the measuring model, and what their knee reads.

With a window the player sees themselves, and a coach keeps the reading or asks for another; without one the first good reading
is kept. What the reading is worth is the engine's to say; balls that are in the log already are not touched.
"""
from __future__ import annotations

import threading
from contextlib import ExitStack, closing
from pathlib import Path

from creaseside import standing, track
from creaseside.ball import Value
from creaseside.camera import Camera
from creaseside.pose import OTHER, Pose
from creaseside.stamps import NS
from kiosk import clock, session, solved, sources
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.marks import Marks
from kiosk.place import Place
from kiosk.pose_model import PoseModel
from kiosk.tripod import FIRST_NS, Live, file_of, marks_at

LOOK_NS, TRIAL_NS = NS // 12, 2 * NS + NS // 4
TRIES = 3                # without a window


class Trial:
    """`found`: the latest reading, or why there is none; None while the first is being taken."""

    def __init__(self, live: Live, model: PoseModel, camera: Camera, side: str) -> None:
        self._live, self._model, self._camera, self._side = live, model, camera, side
        self.found: Value | None = None
        self.stop = threading.Event()

    def once(self) -> Value:
        """Two seconds of looks, then their poses."""
        self.found = standing.zero(track.of(self._poses()), self._camera, self._side)
        return self.found

    def until_found(self) -> None:
        """Again and again, in a thread of its own, until there is a reading or `stop` is set."""
        while not self.stop.is_set() and not self.once():
            pass

    def _poses(self) -> list[Pose]:
        end_ns, last, out = clock.now_ns() + FIRST_NS, -1, []
        while clock.now_ns() < end_ns and not self.stop.is_set() and self._live.fault is None:
            frame = self._live.frame
            if frame is not None and frame != last and (shot := self._live.shot()) is not None:
                if not out:
                    end_ns = clock.now_ns() + TRIAL_NS
                last = frame
                out.append(shot)
            clock.wait_until(clock.now_ns() + LOOK_NS, self.stop)
        return [self._model.pose(bgr, stamp) for stamp, bgr in out if not self.stop.is_set()]


def run(place: Place, player: str, spec: str, asked: Path | None, arm: str | None, screen=None) -> dict:
    """The player's standing zero, in the log; {} where it was left. screen None: without a window. Fault where it cannot be had."""
    with Logbook(place) as log, ExitStack() as parts:
        row = log.player(player)
        arm = arm or row["arm"]
        if arm is None:
            raise Fault(f"a standing zero for {player}", "no bowling arm, so that the front leg is not known", "give --arm right or left")
        live = Live(sources.open_source(spec, place.settings.camera))
        parts.callback(live.close)
        marks = _marks(place, spec, asked, (live.source.width_px, live.source.height_px))
        heavy = session.bundles_of(place)[1]
        if heavy is None:
            raise Fault(f"a standing zero for {player}", "no heavy pose model, which measures the balls",
                        "run python3 kiosk/start.py with a network once")
        model = parts.enter_context(closing(PoseModel(heavy, "heavy")))
        still = live.still()
        marks = solved.sharpened(marks, () if still is None else (still,), log.setups(marks), place.home)
        trial = Trial(live, model, marks.solved(), OTHER[arm])
        found = _unseen(place, trial, player) if screen is None else _seen(place, live, trial, screen)
        if not found:
            return {}
        setup = log.note_setup(marks)
        number = log.add_zero(player, found.value, found.sd, setup)
    return {"zero": number, "player": player, "knee_deg": round(found.value, 2), "sd_deg": round(found.sd, 2), "setup": setup,
            "side": OTHER[arm]}


def _marks(place: Place, spec: str, asked: Path | None, size_px: tuple[int, int]) -> Marks:
    marks, why = marks_at(file_of(place, spec, asked), spec, size_px)
    if marks is None:
        raise Fault("a standing zero", why, "place the marks with creaseside setup")
    return marks


def _unseen(place: Place, trial: Trial, player: str) -> Value:
    for n in range(TRIES):
        place.say("stand tall for two seconds, side-on to the camera, facing the batter's end")
        if found := trial.once():
            return found
        place.say(f"{found.reason}" + ("; once more" if n + 1 < TRIES else ""))
    raise Fault(f"a standing zero for {player}", found.reason, "try again")


def _seen(place: Place, live: Live, trial: Trial, screen) -> Value | None:
    """On the screen, until somebody keeps a reading (that is given) or leaves (None)."""
    from kiosk.hands import Hands, pygame
    from kiosk.scenes.scene import Pictures
    from kiosk.scenes.setup import Setup
    from kiosk.texts import Texts
    texts = Texts(place.settings.screen.language)
    scene, hands = Setup(screen, texts, Pictures(live.bgr)), Hands()
    taking = threading.Thread(target=trial.until_found, daemon=True)
    taking.start()
    pygame.mouse.set_visible(True)
    try:
        while live.fault is None:
            scene.see(sight(texts, live.frame, trial.found))
            if scene.tick(clock.now_ns()):
                screen.flip()
            for wish in hands.read(pygame.event.get(), scene.buttons, screen.size, lambda at: None, 1.0):
                if wish.what in ("quit", "cancel", "out"):
                    return None
                if wish.what in ("keep", "confirm") and trial.found:
                    return trial.found
                if wish.what in ("again", "undo") and trial.found:
                    trial.found = None
                    taking = threading.Thread(target=trial.until_found, daemon=True)
                    taking.start()
            clock.wait_until(clock.now_ns() + NS // 15)
        raise live.fault
    finally:
        trial.stop.set()
        taking.join()


WHY = {"the whole leg was not seen for two seconds": "seen", "not standing still": "still", "not facing the batter's end": "facing",
       "the knee was bent: stand tall": "tall"}


def sight(texts, frame: int | None, found: Value | None):
    """What the player sees."""
    from kiosk.scenes.setup import Row, Sight
    from kiosk.scenes.view import Choice
    say = texts.setup
    if found:
        rows = (Row(say("stand_found", x=round(found.value), sd=round(found.sd)), "hit", 2),)
        answers = (("again", "stand_again"), ("keep", "stand_keep"))
    else:
        why = () if found is None else (Row(say(f"stand_{WHY.get(found.reason, 'seen')}"), "miss", 3),)
        rows = (Row(say("stand_wait"), "unsure", 2), *why)
        answers = (("out", "stand_leave"),)
    return Sight(say("stand_question"), frame, rows, choices=tuple(Choice(a, say(w)) for a, w in answers))
