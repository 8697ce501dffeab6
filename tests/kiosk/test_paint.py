"""The creases' paint: read to a fraction of a pixel where it is painted as the Laws have it, and left alone where it is not.

The rectangle is that of the Laws of Cricket, 7.2 to 7.4, drawn by the pitch frame alone; the cameras are anybody's.
"""
from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from creaseside import camera as cameras
from creaseside.camera import Camera
from creaseside.pitch import CREASES
from kiosk import marks as files
from kiosk import paint, solved
from kiosk.logbook import Logbook
from kiosk.marks import Marks
from kiosk.place import Place
from tests.creaseside.test_camera import SIX, anywhere
from tests.creaseside.test_camera import marks as seen_marks

HAND_PX = 0.7
FINER = 4                      # the picture is drawn so much larger and brought down, as a sensor does
RUN_UP = np.array([(-4.0, 0.1, 0.0), (0.0, 0.1, 0.0)])


def picture(camera: Camera, wide_m: float = 0.06, middle: float = 0.0, beside_m=(0.0, 0.0), noise: float = 3.0,
            creases=tuple(CREASES)) -> np.ndarray:
    """A green net with its creases painted. middle: where the crease is in its paint, 0 the middle, -0.5 the Laws' edge."""
    size = camera.height_px * FINER, camera.width_px * FINER
    big = np.full((*size, 3), (82, 132, 98), np.uint8)
    for name in creases:
        begin, end, over = (np.array([*v, 0.0]) for v in (CREASES[name].begin, CREASES[name].end, CREASES[name].paint))
        ends = [share * wide_m * over - middle * wide_m * over + [*beside_m, 0.0] for share in (-0.5, 0.5)]
        corners = np.array([begin + ends[0], end + ends[0], end + ends[1], begin + ends[1]])
        along = np.linspace(0, 1, 60)[:, None]                    # a lens may bend it
        outline = np.concatenate([a * (1 - along) + b * along for a, b in zip(corners, np.roll(corners, -1, 0))])
        seen = camera.project(outline)
        if np.isfinite(seen).all():
            cv2.fillPoly(big, [np.round((seen * FINER - 0.5) * 16).astype(np.int32)], (226, 232, 232), cv2.LINE_8, 4)
    small = cv2.resize(big, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA).astype(float)
    return np.clip(small + np.random.default_rng(3).normal(0, noise, small.shape), 0, 255).astype(np.uint8)


def placed(camera: Camera, rng: np.random.Generator, hand_px: float = HAND_PX) -> Marks:
    inside = {n: at for n, at in seen_marks(camera, SIX, rng, hand_px).items() if 0 < at[0] < 1280 and 0 < at[1] < 720}
    return Marks(1280, 720, inside, k1=camera.k1, k2=camera.k2, focal_px=camera.focal_px if camera.k1 else None)


def whole(rng: np.random.Generator, lens: bool = False) -> Camera:
    """A camera that has every mark in its picture, and paint that is a few pixels wide."""
    while True:
        camera = anywhere(rng, lens)
        pixels = np.array(list(seen_marks(camera).values()))
        if ((pixels > 20) & (pixels < (1260, 700))).all() and camera.metres_per_px(np.zeros(3)) < 0.009 and camera.C[2] > 1.2:
            return camera


def turned_deg(found: Camera, true: Camera) -> float:
    """By how much a run-up seems to come from another direction."""
    first, last = found.on_ground(true.project(RUN_UP))
    return float(np.degrees(np.arctan2(last[1] - first[1], last[0] - first[0])))


@pytest.mark.parametrize("lens, middle", [(False, 0.0), (False, -0.5), (True, 0.0)])
def test_a_run_up_s_direction_is_ten_times_better_than_a_hand_s_marks_make_it(lens, middle):
    rng = np.random.default_rng(20171001)
    alone, sharp = [], []
    for _ in range(12):
        true = whole(rng, lens)
        marks = placed(true, rng)
        found = paint.sharpened(marks, [picture(true, middle=middle)])
        assert len(found.paint) >= paint.LEAST_CREASES and replace(found, paint=()) == marks
        alone.append(turned_deg(marks.solved(), true))
        sharp.append(turned_deg(found.solved(), true))
    assert np.std(sharp) < np.std(alone) / 10 and np.abs(sharp).max() < 0.2


@pytest.mark.parametrize("middle", [0.0, -0.5])
def test_a_crease_is_where_the_hand_says_in_the_middle_of_its_paint_or_at_the_laws_edge(middle):
    """Laws 7.2 to 7.4: the edge. Taken for the middle, the rectangle would be 7 cm wider than it is, everywhere."""
    rng = np.random.default_rng(11)
    off = []
    for _ in range(8):
        true = whole(rng)
        found = paint.sharpened(placed(true, rng), [picture(true, 0.07, middle)]).solved()
        corners = np.array([(0, 1.32, 0), (1.22, -1.32, 0)], float)
        one, other = found.on_ground(true.project(corners))
        off.append(np.linalg.norm(one - other) - np.linalg.norm(corners[0] - corners[1]))
    assert abs(np.mean(off)) < 0.012 and np.abs(off).max() < 0.03


def test_paint_that_lies_a_little_beside_moves_no_place_but_what_the_hand_says():
    rng = np.random.default_rng(5)
    true = whole(rng)
    marks = placed(true, rng, 0.0)
    found = paint.sharpened(marks, [picture(true, beside_m=(0.02, -0.02))]).solved()
    at = found.on_ground(true.project(np.array([1.0, 0.3, 0.0])))
    assert at[:2] == pytest.approx([1.0, 0.3], abs=0.004) and abs(turned_deg(found, true)) < 0.1


def test_its_doubt_holds_its_error():
    """Of 30 focal lengths 26 or more within 1.96 sd (a chance of 1 in 200 for fewer, were it 95 of 100)."""
    rng = np.random.default_rng(17)
    inside = 0
    for _ in range(30):
        true = whole(rng)
        found = paint.sharpened(placed(true, rng, 1.0), [picture(true)]).solved()
        inside += abs(np.log(found.focal_px / true.focal_px)) < 1.96 * np.sqrt(found.cov[0, 0])
    assert inside >= 26


def no_paint(true: Camera) -> np.ndarray:
    return picture(true, creases=())


def two_creases(true: Camera) -> np.ndarray:
    return picture(true, creases=("bowling", "popping"))


def dark(true: Camera) -> np.ndarray:
    return (picture(true) * 0.05).astype(np.uint8)


def another_size(true: Camera) -> np.ndarray:
    return picture(true)[:360, :640]


def hedge(true: Camera) -> np.ndarray:
    return np.random.default_rng(2).integers(0, 255, (720, 1280, 3), np.uint8)


def another_rectangle(true: Camera) -> np.ndarray:
    """Lines near the marks that are not theirs: 9 % larger."""
    return picture(replace(true, C=true.C / 1.09))


@pytest.mark.parametrize("shown", [no_paint, two_creases, dark, another_size, hedge, another_rectangle])
def test_what_shows_no_such_paint_leaves_the_marks_as_they_are(shown):
    rng = np.random.default_rng(5)
    true = whole(rng)
    marks = placed(true, rng)
    assert paint.sharpened(marks, [shown(true)]) == marks
    assert paint.sharpened(marks, []) == marks


def test_it_waits_for_a_picture_that_shows_it():
    rng = np.random.default_rng(5)
    true = whole(rng)
    marks = placed(true, rng)
    assert paint.sharpened(marks, [dark(true), picture(true)]).paint == paint.sharpened(marks, [picture(true)]).paint


def test_legs_on_a_crease_and_twine_before_it_are_no_paint():
    rng = np.random.default_rng(5)
    true = whole(rng)
    clear = picture(true)
    busy = clear.copy()
    x, y = true.project(np.array([0.0, -0.4, 0.0]))
    cv2.rectangle(busy, (int(x) - 25, int(y) - 160), (int(x) + 25, int(y) + 15), (235, 235, 235), -1)      # white trousers
    for at in range(0, 1280, 17):
        cv2.line(busy, (at, 0), (at, 720), (40, 50, 40), 2)
        cv2.line(busy, (0, at), (1280, at), (40, 50, 40), 2)
    marks = placed(true, rng)
    found = paint.sharpened(marks, [busy])
    assert found.paint and abs(turned_deg(found.solved(), true)) < 0.3


def test_the_same_paint_is_known_again_and_a_camera_that_turned_a_little_is_not():
    rng = np.random.default_rng(5)
    true = whole(rng)
    marks, alone = placed(true, rng), placed(true, rng).solved()
    one, other = (paint.seen(picture(true, noise=noise), alone) for noise in (2.0, 5.0))
    assert one != other and paint.same(one, other) and paint.same(one, one[:3])
    turned = cameras.look_at(true.C, true.C + true.R[2] + [0.0015, 0.0, 0.0], true.focal_px, 1280, 720)     # 0.09 deg: 2 px
    assert not paint.same(one, paint.seen(picture(turned), marks.solved()))
    assert not paint.same(one, one[:2])


# What is kept of it

@pytest.fixture
def net(tmp_path):
    rng = np.random.default_rng(5)
    true = whole(rng)
    return Place(tmp_path / "home"), placed(true, rng), true


def test_a_set_up_that_shows_the_same_paint_is_the_same_row_to_the_last_digit(net):
    place, hand, true = net
    with Logbook(place) as log:
        first = solved.sharpened(hand, [picture(true, noise=2.0)], log.setups(hand), place.home)
        row = log.note_setup(first)
        again = solved.sharpened(hand, [picture(true, noise=5.0)], log.setups(hand), place.home)
        assert first.paint and again == first and log.note_setup(again) == row
        in_the_dark = solved.sharpened(hand, [dark(true)], log.setups(hand), place.home)
        assert in_the_dark == first
        assert solved.sharpened(hand, [dark(true)], [], place.home) == hand
        by_hand = log.note_setup(hand)
        assert by_hand != row and [setup.paint for setup in log.setups(hand)] == [(), first.paint]
        assert log.setups(replace(hand, k1=0.1)) == []


def test_another_reading_of_the_same_marks_is_another_set_up(net):
    place, hand, true = net
    with Logbook(place) as log:
        log.note_setup(solved.sharpened(hand, [picture(true)], (), place.home))
        beside = solved.sharpened(hand, [picture(true, beside_m=(0.02, 0.02))], log.setups(hand), place.home)
        assert beside.paint and beside != log.setups(hand)[0]


def test_the_log_gives_back_the_marks_that_it_was_given(net):
    place, hand, true = net
    full = replace(paint.sharpened(hand, [picture(true)]), measured=(((3.0, 4.5), (1.0, 2.0, 0.0)),), focal_px=1300.5, k1=0.1)
    with Logbook(place) as log:
        assert files.of_row(log.setup(log.note_setup(full))) == full
        assert files.of_row(log.setup(log.note_setup(hand))) == hand
