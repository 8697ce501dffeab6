"""Cameras that were solved before: the same to the last bit, and never one of other marks or of a damaged file."""
from __future__ import annotations

import dataclasses
import random
import sys

import numpy as np
import pytest

from creaseside.pitch import MARKS
from kiosk import solved
from kiosk.faults import Fault
from kiosk.marks import Marks
from tests.faults.net import CAMERA
from tests.faults.net import marks as net_marks


@pytest.fixture
def solving(monkeypatch):
    """How often marks were solved, in this process."""
    import scipy.optimize  # noqa: F401
    asked, really = [], Marks.solved
    monkeypatch.setattr(Marks, "solved", lambda marks, where="": asked.append(marks) or really(marks, where))
    return asked


def moved(by_px: float) -> Marks:
    marks = net_marks()
    return dataclasses.replace(marks, marks_px={name: (x + by_px, y) for name, (x, y) in marks.marks_px.items()})


def same(a, b) -> bool:
    return all(np.array_equal(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a))


@pytest.mark.parametrize("lens", [{}, {"focal_px": CAMERA.focal_px, "k1": -0.001}])
def test_a_camera_is_solved_once_and_is_the_same_to_the_last_bit(tmp_path, solving, lens):
    place = 1.0, 0.5, 0.0
    seen = tuple(map(float, CAMERA.project(np.array(place))))
    marks = dataclasses.replace(net_marks(), **lens, measured=((seen, place),))
    first, second = solved.camera(marks, tmp_path), solved.camera(marks, tmp_path)
    assert len(solving) == 1 and same(first, second)
    assert first.cov is not None and second.residual_px == first.residual_px
    assert np.array_equal(first.project(np.array(list(MARKS.values()))), second.project(np.array(list(MARKS.values()))))
    assert (tmp_path / solved.FILE).stat().st_mode & 0o077 == 0


def test_a_process_of_its_own_solves_them_just_so_and_says_what_is_wrong(tmp_path, monkeypatch):
    import scipy.optimize  # noqa: F401
    here = solved.camera(net_marks(), tmp_path / "here")
    monkeypatch.delitem(sys.modules, solved.LIBRARY)
    there = solved.camera(net_marks(), tmp_path / "there")
    assert same(here, there) and here.residual_px == there.residual_px
    with pytest.raises(Fault, match="no_pitch.toml"):
        solved.camera(dataclasses.replace(net_marks(), marks_px=dict(list(net_marks().marks_px.items())[:2])), tmp_path, "no_pitch.toml")
    assert solved.LIBRARY not in sys.modules


def test_other_marks_or_another_solver_are_solved_anew_and_the_last_eight_are_kept(tmp_path, solving, monkeypatch):
    for px in range(10):
        solved.camera(moved(px), tmp_path)
    assert len(solving) == 10
    solved.camera(moved(9), tmp_path), solved.camera(moved(2), tmp_path)
    assert len(solving) == 10
    solved.camera(moved(1), tmp_path)
    assert len(solving) == 11
    changed = tmp_path / "pitch.py"
    changed.write_text("other"), (tmp_path / "camera.py").write_text("other")
    monkeypatch.setattr(solved.pitch, "__file__", str(changed))
    solved.camera(moved(1), tmp_path)
    assert len(solving) == 12


def test_whatever_is_damaged_is_solved_anew(tmp_path, solving):
    """Bits flipped, bytes cut, nothing left: 30 seeded cases."""
    right = solved.camera(net_marks(), tmp_path)
    file, chance = tmp_path / solved.FILE, random.Random(8)
    whole = file.read_bytes()
    for case in range(30):
        data = bytearray(whole)
        if case % 3 == 0:
            del data[chance.randrange(len(data)):]
        else:
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        file.write_bytes(data)
        assert same(right, solved.camera(net_marks(), tmp_path)) and len(solving) == 2 + case
        assert file.read_bytes() == whole


def test_a_home_that_may_not_be_written_and_marks_that_are_no_pitch(tmp_path):
    marks = net_marks()
    assert same(marks.solved(), solved.camera(marks, tmp_path / "nowhere"))
    left, right = "popping_crease_left", "popping_crease_right"
    swapped = dict(marks.marks_px) | {left: marks.marks_px[right], right: marks.marks_px[left]}
    for _ in range(2):
        with pytest.raises(Fault, match="net.toml"):
            solved.camera(dataclasses.replace(marks, marks_px=swapped), tmp_path, "net.toml")
    assert not (tmp_path / solved.FILE).exists()
