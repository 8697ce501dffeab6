"""Puppets' landmarks lie beside their joints as `joints` has it and no further: so long do their legs look beside one another, and
knees that have given way are read as they are; a second model that puts landmarks there as well has this much between them. What a
model makes of other legs is in test_bones."""
import pytest

from creaseside import bones, opinion

PUPPETS = {True: 1.073, False: 0.980}


@pytest.fixture(autouse=True)
def puppets_legs(monkeypatch):
    monkeypatch.setattr(bones, "USUAL", PUPPETS)
    monkeypatch.setattr(bones, "LATE_USUAL", PUPPETS)
    monkeypatch.setattr(bones, "LATE_BIAS_DEG", {True: 0.0, False: 0.0})
    monkeypatch.setattr(opinion, "USUAL_DEG", {True: (-0.9, 7.0), False: (-0.3, 1.5)})
