"""Knock: a camera that was moved is noticed on the demo net's own pictures; walkers, clouds and lamps are no knock."""
from __future__ import annotations

import cv2
import numpy as np
import pytest

from creaseside.stamps import NS, Stamp
from kiosk.knock import BLIND, EVERY_NS, MOVED_PX, Knock, Lookout
from kiosk.sources import DEMO

OTHERS = range(240, 3000, 240)      # frames with bowlers at every place of their run, and the empty net between


@pytest.fixture(scope="module")
def net() -> list[np.ndarray]:
    tape, out = cv2.VideoCapture(str(DEMO)), []
    for frame in (0, *OTHERS):
        tape.set(cv2.CAP_PROP_POS_FRAMES, frame)
        out.append(tape.read()[1])
    return out


def seen_from(bgr, right_px=0.0, down_px=0.0, roll_deg=0.0, gain=1.0, gamma=1.0, seed=0) -> np.ndarray:
    """The picture after a knock, in another light, with the sensor's noise."""
    way = cv2.getRotationMatrix2D((640, 360), roll_deg, 1)
    way[:, 2] += right_px, down_px
    moved = cv2.warpAffine(bgr, way, (1280, 720), borderMode=cv2.BORDER_REFLECT) / 255.0
    return np.clip(255 * moved**gamma * gain + np.random.default_rng(seed).normal(0, 3, bgr.shape), 0, 255).astype(np.uint8)


def after(pictures, knock=None) -> Knock:
    knock = knock or Knock()
    for picture in pictures:
        knock.look(picture)
    return knock


def test_a_session_of_bowlers_moves_nothing(net):
    knock = after(net[:1])
    looks = [knock.look(bgr) for bgr in net[1:]]
    assert not knock.moved and all(look.shift_px < 0.3 and look.found > 0.5 for look in looks)


@pytest.mark.parametrize("light", [{"gain": 0.4}, {"gamma": 1.8}, {"gamma": 0.5}, {"gain": 1.5}])
def test_another_light_is_no_knock(net, light):
    assert not after([net[0], *(seen_from(bgr, **light) for bgr in net[1:8])]).moved


@pytest.mark.parametrize("knocked", [{"right_px": 4}, {"down_px": -5}, {"right_px": 30, "gain": 0.6}, {"right_px": -90},
                                     {"roll_deg": 1.0}, {"roll_deg": 8}, {"right_px": 260, "down_px": -60}])
def test_a_knock_is_noticed_and_so_is_its_end(net, knocked):
    knock = after([net[0], *net[1:4]])
    after([seen_from(bgr, **knocked) for bgr in net[4:4 + BLIND]], knock)
    assert knock.moved
    assert not after(net[-3:], knock).moved


@pytest.mark.parametrize("px", (1.0, 6.0, 40.0))
def test_how_far_it_went_is_told_in_the_sources_own_pixels(net, px):
    knock = after(net[:1])
    assert knock.look(seen_from(net[3], right_px=px)).shift_px == pytest.approx(px, abs=0.5)
    large = Knock(1920)
    large.look(cv2.resize(net[0], (1920, 1080)))
    assert large.look(cv2.resize(seen_from(net[3], right_px=px), (1920, 1080))).shift_px == pytest.approx(1.5 * px, abs=0.8)


def test_less_than_a_hand_on_a_mark_is_no_knock(net):
    assert not after([net[0], *(seen_from(bgr, right_px=MOVED_PX / 2) for bgr in net[1:8])]).moved


def test_one_tremble_is_no_knock(net):
    assert not after([net[0], net[1], seen_from(net[2], right_px=12), *net[3:6], seen_from(net[6], down_px=12), net[7]]).moved


def test_somebody_before_the_lens_or_lights_out_is_no_knock(net):
    hidden = np.full_like(net[0], 90)
    assert not after([net[0], *[hidden] * 8, net[1], *[seen_from(net[2], gain=0.02)] * 8, net[3]]).moved


def test_light_that_wanders_all_evening_is_followed_and_a_knock_after_it_still_found(net):
    knock = Knock()
    for step in range(16):
        knock.look(seen_from(net[step % len(net)], gamma=0.4 + step * 0.15, gain=1 - step * 0.03, seed=step))
    assert not knock.moved
    after([seen_from(bgr, right_px=5, gamma=2.7, gain=0.5) for bgr in net[:4]], knock)
    assert knock.moved


# Beside the loop

def test_the_lookout_looks_every_two_seconds_and_never_twice_at_once(net):
    ok, data = cv2.imencode(".jpg", net[0])
    asked, jobs = [], []
    out = Lookout(lambda frame: asked.append(frame) or data.tobytes(), jobs.append, 1280)
    for turn in range(500):
        out.tick(Stamp(turn, turn * NS // 100), turn * NS // 100)
        if turn == 450:
            jobs[0]()
    assert len(jobs) == 2 and asked == [0] and EVERY_NS == 2 * NS
    assert not out.moved


def test_a_frame_that_is_gone_or_broken_is_no_look(net):
    for jpeg in (None, b"\xff\xd8 not a picture"):
        out = Lookout(lambda frame: jpeg, lambda job: job(), 1280)
        for second in range(0, 20, 2):
            out.tick(Stamp(second, second * NS), second * NS)
        assert not out.moved


def test_the_lookout_notices_a_knock(net):
    pictures = [cv2.imencode(".jpg", bgr)[1].tobytes() for bgr in [*net[:3], *(seen_from(b, right_px=9) for b in net[3:6])]]
    out, moved = Lookout(pictures.__getitem__, lambda job: job(), 1280), []
    for i in range(6):
        out.tick(Stamp(i, i * EVERY_NS), i * EVERY_NS)
        moved.append(out.moved)
    assert moved == [False] * 4 + [True] * 2
