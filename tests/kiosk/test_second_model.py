"""The second model on real pictures: it sees the body that the others see, where it stands in the whole picture, and says nothing of the rest."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from creaseside.pose import INDEX, MIRROR, NAMES, SIDES
from creaseside.stamps import Stamp
from kiosk import models, second_model
from kiosk.pose_model import PoseModel
from kiosk.second_model import KNOWN, SQUARE, SecondModel
from tests.kiosk.demo_frames import bowler

LEGS = [INDEX[f"{side}_{joint}"] for side in SIDES for joint in ("hip", "knee", "ankle")]
ROOM = 0.12        # of the body's height, round the landmarks
FAR = 0.06         # of the body's height: twice what the two models differ by at most in these frames (0.026, measured)


@pytest.fixture(scope="module")
def bundle():
    return models.second_bundle() or pytest.skip("the set-up has not fetched the second model")


@pytest.fixture(scope="module")
def model(bundle):
    made = SecondModel(bundle)
    yield made
    made.close()


@pytest.fixture(scope="module")
def others():
    """Frames, what the model that measures says of them, and the box round that."""
    made = PoseModel(models.heavy_bundle() or models.light_bundle(), "heavy")
    seen = [(bgr, made.pose(bgr, Stamp(n, n)).xy_px) for n, bgr in enumerate(bowler(12)[::4])]
    made.close()
    return [(bgr, xy, box(xy)) for bgr, xy in seen]


def tall(xy: np.ndarray) -> float:
    return float(np.ptp(xy[:, 1]))


def box(xy: np.ndarray) -> tuple[int, int, int, int]:
    (left, top), (right, bottom), room = xy.min(0), xy.max(0), ROOM * tall(xy)
    return int(left - room), int(top - room), int(right + room), int(bottom + room)


def off(xy: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Of the legs' joints, in the other body's heights."""
    return np.linalg.norm(xy - other, axis=1)[LEGS] / tall(other[np.isfinite(other[:, 1])])


def test_it_sees_the_body_that_the_others_see(model, others):
    for bgr, xy, where in others:
        pose = model.pose(bgr, Stamp(5, 50), sought_px=where)
        assert (pose.missing, pose.model, pose.stamp) == (None, "second", Stamp(5, 50))
        assert off(pose.xy_px, xy).max() < FAR


def test_what_it_does_not_know_is_not_told(model, others):
    bgr, _, where = others[0]
    pose = model.pose(bgr, Stamp(0, 0), sought_px=where)
    known = np.isin(NAMES, KNOWN)
    assert known.sum() == 17 and np.isfinite(pose.xy_px[known]).all() and np.isnan(pose.xy_px[~known]).all()
    assert (pose.visibility[LEGS] > second_model.SURE).all() and not pose.visibility[~known].any()
    assert np.isnan(pose.world_m).all() and np.isnan(pose.sole_px).all()


def test_it_looks_where_the_body_is_sought_else_in_the_box_else_everywhere(model, others):
    bgr, xy, where = others[0]
    sought = model.pose(bgr, Stamp(0, 0), (0, 0, 90, 90), where)
    np.testing.assert_array_equal(sought.xy_px, model.pose(bgr, Stamp(1, 1), where).xy_px)
    left, top, right, bottom = where
    all_of_it = model.pose(bgr[top:bottom, left:right], Stamp(2, 2))
    assert off(all_of_it.xy_px + (left, top), xy).max() < FAR


@pytest.mark.parametrize("shift", [(-40, -30), (25, 60)])
def test_a_body_elsewhere_is_the_same_body_there(model, others, shift):
    bgr, _, where = others[-1]
    there = tuple(edge + by for edge, by in zip(where, shift * 2))
    moved = np.roll(bgr, shift[::-1], axis=(0, 1))
    first, second = model.pose(bgr, Stamp(0, 0), sought_px=where), model.pose(moved, Stamp(1, 1), sought_px=there)
    np.testing.assert_allclose(second.xy_px - first.xy_px, np.where(np.isnan(first.xy_px), np.nan, shift), atol=0.01)


@pytest.mark.parametrize("scale", [0.75, 3.0])
def test_a_larger_and_a_smaller_body_is_the_same_body(model, others, scale):
    """At 3 the square is shrunk to what the model sees, which the blur before that must not move either."""
    bgr, _, where = others[0]
    scaled = cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    there = tuple(round(edge * scale) for edge in where)
    first, second = model.pose(bgr, Stamp(0, 0), sought_px=where), model.pose(scaled, Stamp(1, 1), sought_px=there)
    assert np.median(off(second.xy_px / scale, first.xy_px)) < 0.01 and off(second.xy_px / scale, first.xy_px).max() < FAR


def test_a_body_in_the_mirror_is_found_in_the_mirror(model, others):
    """That edges fall on edges: were the middles of pixels counted, all would lie a pixel of the model's picture aside."""
    asides = []
    for bgr, _, (left, top, right, bottom) in others:
        width = bgr.shape[1]
        first = model.pose(bgr, Stamp(0, 0), sought_px=(left, top, right, bottom))
        second = model.pose(bgr[:, ::-1], Stamp(1, 1), sought_px=(width - right, top, width - left, bottom))
        zoom = SQUARE / max(right - left, bottom - top)
        asides.append((width - second.xy_px[MIRROR[LEGS], 0] - first.xy_px[LEGS, 0]) * zoom)
    assert abs(np.median(asides)) < 0.5


def test_an_empty_picture_is_nobody(model):
    pose = model.pose(np.full((720, 1280, 3), 90, np.uint8), Stamp(3, 30))
    assert pose.missing == "no person seen" and (pose.stamp, pose.model) == (Stamp(3, 30), "second")
    assert np.isnan(pose.xy_px).all() and not pose.visibility.any()


def test_a_part_of_the_net_without_a_body_is_nobody(model, others):
    bgr, xy, where = others[0]
    assert where[0] > 400, "the body stands to the right in this frame"
    assert model.pose(bgr, Stamp(0, 0), sought_px=(0, 300, 300, 600)).missing == "no person seen"


def test_a_box_beside_the_picture_is_nobody(model):
    pose = model.pose(np.zeros((720, 1280, 3), np.uint8), Stamp(0, 0), (1400, 0, 1500, 720))
    assert pose.missing == "the box is outside the picture"


def test_outside_of_the_picture_is_black():
    light = np.full((100, 100, 3), 200, np.uint8)
    made = second_model.cut(light, -50.0, -50.0, 100.0)
    assert made.shape == (SQUARE, SQUARE, 3)
    assert (made[:120, :, :] == 0).all() and (made[:, :120, :] == 0).all() and (made[136:, 136:] == 200).all()


@pytest.mark.parametrize("side", [128, 1024])
def test_a_point_of_the_picture_stays_where_it_is_in_the_square(side):
    """A bright patch's middle, to a tenth of a pixel of the square, whether it is made larger or smaller; and red stays red."""
    bgr, left, top = np.zeros((1200, 1200, 3), np.uint8), 33.0, 77.0
    part = side / 1024
    bgr[int(304 * part):int(400 * part), int(504 * part):int(600 * part), 2] = 250
    made = second_model.cut(bgr, left * part, top * part, side)
    assert not made[:, :, 1:].any()
    rows, columns = (np.average(np.arange(SQUARE) + 0.5, weights=made[:, :, 0].sum(axis)) for axis in (1, 0))
    assert (columns, rows) == pytest.approx(((552 - left) / 4, (352 - top) / 4), abs=0.1)


def test_what_is_finer_than_the_square_s_pixels_does_not_flicker_in_it():
    """A chequered picture, a quarter as large, is grey all over."""
    chequered = np.repeat(np.indices((1200, 1200)).sum(0, keepdims=True) % 2 * 255, 3, 0).transpose(1, 2, 0).astype(np.uint8)
    made = second_model.cut(chequered, 60.3, 71.9, 1024)
    assert np.ptp(made.astype(int)) <= 4 and made.mean() == pytest.approx(127.5, abs=2)


@pytest.mark.parametrize("side", [100, 700])
def test_the_square_s_rim_is_made_of_what_lies_beside_it_too(side):
    """As if all of the picture were blurred, though only a part of it is."""
    bgr = np.random.default_rng(5).integers(0, 256, (1000, 1000, 3), np.uint8)
    there = bgr if side < SQUARE else cv2.GaussianBlur(bgr, (0, 0), second_model.BLUR * side / SQUARE)
    at = (np.arange(SQUARE, dtype=np.float32) + 0.5) * side / SQUARE - 0.5
    wanted = cv2.remap(there, *np.meshgrid(at + 140, at + 160), cv2.INTER_LINEAR)[:, :, ::-1].astype(int)
    assert np.abs(second_model.cut(bgr, 140, 160, side) - wanted).max() <= 2


def test_the_library_s_chatter_reaches_nobody(bundle, capfd):
    made = SecondModel(bundle)
    made.pose(bowler(1)[0], Stamp(0, 0))
    made.close()
    assert capfd.readouterr().err == ""
