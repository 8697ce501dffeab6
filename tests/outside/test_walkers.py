"""Real people who walk about and bowl nothing: OpenCV's vtest.avi, a street seen from above, measured like any clip."""
from __future__ import annotations

from pathlib import Path

import cv2
import pytest

from creaseside.engine import Engine
from creaseside.settings import Settings
from kiosk import models
from kiosk.offline import Measurer
from kiosk.sources.tape import Tape
from tests.outside.opencv_doc import data

FRAMES = 200                          # 20 s at its own rate
PART = slice(144, 432), slice(384, 768)   # where they walk nearest to the camera; enlarged, so that bodies are tall enough to be seen


@pytest.fixture(scope="module")
def street(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("street")
    film, part = cv2.VideoCapture(str(data("vtest.avi", folder))), folder / "part.avi"
    to = cv2.VideoWriter(str(part), cv2.VideoWriter_fourcc(*"MJPG"), film.get(cv2.CAP_PROP_FPS), (768, 576))
    for _ in range(FRAMES):
        to.write(cv2.resize(film.read()[1][PART], (768, 576)))
    to.release()
    return part


@pytest.fixture(scope="module")
def measurer():
    with Measurer(models.light_bundle()) as made:
        yield made


class Watched(Engine):
    """The engine, and what it was shown."""

    def __init__(self) -> None:
        super().__init__(None, None, Settings().feedback, Settings().log, size_px=(768, 576))
        self.bodies = 0

    def see(self, pose) -> None:
        self.bodies += pose.missing is None
        super().see(pose)


@pytest.mark.parametrize("fps", [None, 30.0])
def test_nobody_bowls_in_a_street(measurer, street, fps):
    """At the film's own 10 frames a second; and three times as fast, where who walks would run."""
    engine = Watched()
    with Tape(street, fps=fps, paced=False) as tape:
        assert [log.what["br_s"].value for log in measurer.balls(tape, engine)] == []
    assert engine.bodies > FRAMES / 4, "the people in the film were hardly seen, so that this says nothing"
