"""The standing trial with a stand-in for the model: what is read goes into the log, and to balls bowled after it alone."""
from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pygame
import pytest

from creaseside.settings import Screen as Asked
from creaseside.stamps import Stamp
from kiosk import marks, sources, standing_trial
from kiosk.__main__ import main
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.place import Place
from kiosk.screen import Screen
from tests.creaseside.film import Film
from tests.creaseside.puppet import goer
from tests.creaseside.test_standing import TALL
from tests.kiosk.bowled import some_ball
from tests.kiosk.handclock import HandClock

DEMO = marks.read(sources.DEMO_MARKS)


class Standing:
    """Sees the same puppet whatever the picture: a twelfth of a second goes by from look to look."""

    puppet = TALL

    def __init__(self, *_: object) -> None:
        self._film, self._looks = Film(self.puppet, DEMO.solved(), fps=12, between=(-1.2, 1.2)), 0

    def pose(self, bgr, stamp):
        self._looks += 1
        return self._film.pose((self._looks - 1) % len(self._film))

    def close(self) -> None:
        pass


class Still:
    """A source's live picture: a new frame at every asking."""

    source, fault = SimpleNamespace(width_px=1280, height_px=720), None

    def __init__(self, *_: object) -> None:
        self._frame = 0

    @property
    def frame(self) -> int:
        self._frame += 1
        return self._frame

    def shot(self):
        return Stamp(self._frame, self._frame), self.bgr(0)

    def still(self) -> np.ndarray:
        return self.bgr(0)

    def bgr(self, frame: int) -> np.ndarray:
        return np.zeros((720, 1280, 3), np.uint8)

    def close(self) -> None:
        pass


@pytest.fixture
def place(tmp_path, monkeypatch) -> Place:
    monkeypatch.setattr(standing_trial, "PoseModel", Standing)
    monkeypatch.setattr(standing_trial.session, "bundles_of", lambda place: ("light", "heavy"))
    monkeypatch.setattr(standing_trial, "Live", Still)
    monkeypatch.setattr(standing_trial.sources, "open_source", lambda *_: None)
    monkeypatch.setattr(standing_trial, "clock", HandClock())
    monkeypatch.setattr(standing_trial, "TRIES", 1)
    return Place(tmp_path / "home", quiet=True)


def player_of(place: Place, **more) -> str:
    with Logbook(place) as log:
        return log.add_player("Ana", **more)


def test_what_the_knee_reads_is_logged_with_its_day_and_camera(place, capsys):
    player = player_of(place, arm="right")
    assert main(["--home", str(place.home), "--json", "--quiet", "players", "zero", player, "--source", "demo"]) == 0
    told = json.loads(capsys.readouterr().out)
    with Logbook(place) as log:
        row = log.zero(player, log.note_setup(DEMO))
        assert (row["knee_deg"], row["sd_deg"]) == pytest.approx((told["knee_deg"], told["sd_deg"]), abs=0.01)
        assert row["made_utc"] and told["side"] == "left" and 165 < row["knee_deg"] < 180


def test_it_holds_for_balls_after_it_with_that_camera_and_no_others(place):
    player = player_of(place, arm="right")
    with Logbook(place) as log:
        here, elsewhere = log.note_setup(DEMO), log.note_setup(marks.Marks(1280, 720, {"middle_stump_base": (1.0, 2.0)}))
        session, other, bare = (log.start_session(player, setup=setup) for setup in (here, elsewhere, None))
        before = log.add_ball(session, some_ball(1))
        made = standing_trial.run(place, player, "demo", None, None)
        after = [log.add_ball(s, some_ball(1)) for s in (session, other, bare)]
        assert [log.ball(b)["zero"] for b in (before, *after)] == [None, made["zero"], None, None]
        raw = "front_knee_ffc_deg", "front_knee_ffc_deg_sd"
        assert [log.ball(after[0])[c] for c in raw] == [log.ball(before)[c] for c in raw]       # what is in the log stays raw


def test_somebody_who_walks_has_no_zero_and_is_told_why(place, monkeypatch):
    monkeypatch.setattr(Standing, "puppet", goer(1.0))
    player = player_of(place, arm="left")
    with pytest.raises(Fault, match="not standing still"):
        standing_trial.run(place, player, "demo", None, None)
    with Logbook(place) as log:
        assert log.zero(player) is None


def test_without_an_arm_or_marks_there_is_none(place, tmp_path):
    player = player_of(place)
    with pytest.raises(Fault, match="--arm"):
        standing_trial.run(place, player, "demo", None, None)
    bad = tmp_path / "bad.toml"
    bad.write_text("[marks]\n")
    with pytest.raises(Fault, match="a standing zero"):
        standing_trial.run(place, player, "demo", bad, "right")


@pytest.mark.timeout(60)
@pytest.mark.parametrize("key, kept", [(pygame.K_RETURN, True), (pygame.K_ESCAPE, False)])
def test_on_the_screen_a_reading_is_kept_or_left(place, key, kept, monkeypatch):
    player = player_of(place, arm="right")
    screen, shown = Screen(Asked(), headless=True), []
    seen = standing_trial.sight

    def sight(texts, frame, found):
        shown.append(bool(found))
        if found and not any(shown[:-1]):
            pygame.event.clear()
            pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key, mod=0))
        return seen(texts, frame, found)
    monkeypatch.setattr(standing_trial, "sight", sight)
    made = standing_trial.run(place, player, "demo", None, None, screen)
    assert bool(made) is kept and not shown[0]
    with Logbook(place) as log:
        assert (log.zero(player) is not None) is kept
