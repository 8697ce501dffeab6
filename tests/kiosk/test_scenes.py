"""Every scene, measured on what is drawn: heights of letters, what lies where, when it goes on, how it may change."""
from __future__ import annotations

import dataclasses

import numpy as np
import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from creaseside.ball import QUANTITIES
from creaseside.settings import Screen as Asked
from creaseside.stamps import NS, Stamp
from kiosk.drawing import letters, tokens
from kiosk.scenes import banner
from kiosk.scenes.replay_plan import HOLD_S, ReplayPlan, newest
from kiosk.scenes.scene import Pictures
from kiosk.scenes.stage import Stage
from kiosk.scenes.view import Gate, Replay, View
from kiosk.scenes.waiting import DIM_S, MOVE_S
from kiosk.screen import Screen
from kiosk.texts import AGES, LANGUAGES, Texts
from tests.eye import scenes as eye

SIZES = ((1280, 720), (1920, 1080))
MS = NS // 1000


def stage(language: str = "en", size: tuple[int, int] = (1280, 720), pictures: Pictures = Pictures()) -> Stage:
    screen = Screen(Asked(width_px=size[0], height_px=size[1]), headless=True)
    return Stage(screen, Texts(language), pictures)


def pixels(on: Stage) -> np.ndarray:
    return pygame.surfarray.array3d(on.screen.surface).transpose(1, 0, 2)


def runs(rows: np.ndarray) -> list[int]:
    """The lengths of the unbroken runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.astype(int), [0]])))
    return list(edges[1::2] - edges[::2])


def ink_rows(on: Stage, colour: tokens.Colour, top: float, bottom: float) -> list[int]:
    """Heights of the lines of that very colour between two shares of the height."""
    height = on.screen.size[1]
    part = pixels(on)[round(top * height):round(bottom * height)]
    return runs((part == colour).all(axis=2).any(axis=1))


@pytest.fixture
def drawn(monkeypatch) -> list[int]:
    """The letter heights of all that is drawn from now on."""
    heights: list[int] = []
    draw = letters.Block.draw
    monkeypatch.setattr(letters.Block, "draw", lambda block, *a: (heights.append(block.letter_px), draw(block, *a))[1])
    return heights


def words_for(language: str) -> list[str]:
    texts = Texts(language)
    cases = (("hit", 15.0), ("miss", 5.0), ("miss", 25.0), ("unsure", 10.0), (None, None))
    return sorted({texts.verdict(q.name, verdict, value, 10.0, 20.0, age)
                   for q in QUANTITIES for verdict, value in cases for age in AGES})


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("size", SIZES)
def test_every_verdict_word_is_a_fifth_of_the_screen_tall(language, size, drawn):
    """The capitals' own pixels, line by line; in Hindi, where marks stand clear of letters, the letters' height too."""
    on = stage(language, size)
    for word in words_for(language):
        on.show("verdict", View(verdict="miss", word=word), 0)
        drawn.clear()
        on.tick(0)
        lines = ink_rows(on, tokens.ORANGE, 0.0, 0.57)
        assert (min(lines) if language == "en" else max(lines)) >= 0.20 * size[1], (word, lines)
        assert drawn[0] >= 0.20 * size[1], (word, drawn)


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_word_stays_large_in_the_replay(language):
    """A fifth of the height, as far as the word's length allows it, and never under a tenth."""
    on = stage(language, pictures=eye.pictures())
    for word in words_for(language):
        on.show("replay", View(verdict="miss", word=word, replay=eye.replay()), 0)
        on.tick(0)
        band = pixels(on)[:180]
        ink = np.argwhere((band == tokens.ORANGE).all(axis=2))
        high, wide = np.ptp(ink, axis=0) + 1
        assert high >= 0.20 * 720 or wide >= 0.93 * 0.9475 * 1280, (word, high, wide)
        assert high >= 0.10 * 720


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("language", LANGUAGES)
def test_nothing_is_under_four_hundredths(language, size, drawn):
    on = stage(language, size, eye.pictures())
    for name, scene, view, after_ns in eye.screens(Texts(language)):
        drawn.clear()
        on.show(scene, view, 0)
        on.scene.tick(after_ns)
        if view.banner:
            banner.draw(on.screen, view.banner, on.scene.slim_banner)
        assert drawn and min(drawn) >= 0.04 * size[1] - 0.5, (name, drawn)


@pytest.mark.parametrize("size", SIZES)
def test_number_cue_and_name_are_a_tenth(size):
    on = stage("en", size)
    on.show("verdict", View(verdict="hit", word="tall leg", value="168", gate=Gate.of(163, 176, 168, 2)), 0)
    on.tick(0)
    corner = pixels(on)[round(0.81 * size[1]):, round(0.6 * size[0]):]
    assert runs((corner == tokens.CHALK).all(axis=2).any(axis=1))[0] >= 0.10 * size[1]
    on.show("up", View(player="Isha", cue="run down your lane"), 0)
    on.tick(0)
    assert ink_rows(on, tokens.CHALK, 0.0, 0.22)[0] >= 0.10 * size[1]
    assert min(ink_rows(on, tokens.CHALK, 0.24, 0.78)) >= 0.10 * size[1]


@pytest.mark.parametrize("verdict, colour, shape", [("hit", tokens.SKY, 1), ("miss", tokens.ORANGE, 1),
                                                    ("unsure", tokens.DIM, 0), ("not seen", tokens.DIM, 0)])
def test_colour_and_shape_say_the_same(verdict, colour, shape):
    """The tile's middle is filled for what is sure and open for what is not; the word has the same colour."""
    on = stage()
    on.show("verdict", View(verdict=verdict, word="word", last=(verdict,)), 0)
    on.tick(0)
    assert ink_rows(on, colour, 0, 0.57)
    x, y = round(0.0375 * 1280) + round(0.06 * 720), round(0.90 * 720)
    assert on.screen.surface.get_at((x, y))[:3] == (colour if shape else tokens.PLATE)


def test_the_bar_crosses_the_post_where_it_is_unsure():
    """162 ± 2·3 reaches over the post at 163: sky or dim is seen on both sides of it."""
    on = stage()
    for value, verdict, both in ((162.0, "unsure", True), (170.0, "hit", False)):
        on.show("verdict", View(verdict=verdict, word="x", gate=Gate.of(163, 176, value, 3.0)), 0)
        on.tick(0)
        gate = pixels(on)[round(0.60 * 720):round(0.74 * 720)]
        post = 0.11 * 1280 + 0.78 * 1280 / 3
        ink = np.flatnonzero((gate == tokens.BY_VERDICT[verdict]).all(axis=2).any(axis=0))
        assert (ink.min() < post - 10 and ink.max() > post + 10) == both


def test_nothing_changes_while_somebody_runs_in():
    on = stage()
    on.show("up", View(player="Isha", cue="run down your lane"), 0)
    assert on.tick(0)
    assert not any(on.tick(t * MS) for t in range(10, 60_000, 250))


def test_a_new_view_is_drawn_once():
    on = stage()
    view = View(player="Isha", cue="run down your lane")
    on.show("up", view, 0)
    on.tick(0)
    on.update(dataclasses.replace(view, last=("hit",)))
    assert on.tick(1) and not on.tick(2)
    on.update(dataclasses.replace(view, last=("hit",)))
    assert not on.tick(3)


def test_scenes_follow_each_other():
    on = stage(pictures=eye.pictures())
    view = View(verdict="hit", word="tall leg", replay=dataclasses.replace(eye.replay(), from_ns=3 * NS))
    on.show("verdict", view, 0)
    seen = []
    for t_ns in range(0, 20 * NS, NS // 10):
        on.tick(t_ns)
        if not seen or seen[-1][0] != on.now:
            seen.append((on.now, t_ns / NS))
    length_s = view.replay.plan.duration_ns / NS
    assert [n for n, _ in seen] == ["verdict", "replay", "up"]
    assert seen[1][1] == pytest.approx(3.0, abs=0.11) and seen[2][1] == pytest.approx(3 + length_s, abs=0.21)


def test_limit_and_pain_stay_until_somebody_acts():
    on = stage()
    for name in ("limit", "pain"):
        on.show(name, View(ball=36), 0)
        on.tick(0)
        on.tick(3600 * NS)
        assert on.now == name


def test_pain_sends_to_a_grown_up_and_a_professional():
    for language, adult, doctor in (("en", "adult", "doctor"), ("hi", "बड़े", "डॉक्टर")):
        note = Texts(language).say("pain_note_under_18")
        assert adult in note and doctor in note


def test_the_choices_are_large_and_the_first_is_the_safe_one():
    on = stage()
    view = next(v for name, _, v, _ in eye.screens(Texts("en")) if name == "ask_pain")
    on.show("ask", view, 0)
    on.tick(0)
    assert [b.action for b in on.buttons] == [c.action for c in view.choices]
    assert all(b.box.height >= 0.12 * 720 and b.box.width >= 0.2 * 1280 for b in on.buttons)
    assert on.screen.surface.get_at((on.buttons[0].box.x + 12, on.buttons[0].box.centery))[:3] == tokens.CHALK
    on.show("up", View(), 1)
    assert on.buttons == ()


def numbered(frame: int) -> np.ndarray:
    """A frame whose grey is its number, red along its edges."""
    bgr = np.full((720, 1280, 3), frame % 200 + 20, np.uint8)
    bgr[:20], bgr[-20:], bgr[:, :20], bgr[:, -20:] = ((0, 0, 255),) * 4
    return bgr


def a_replay(line: tuple = eye.LEG) -> Replay:
    stamps = [Stamp(i, i * NS // 100) for i in range(181)]
    return Replay(ReplayPlan(0, 1800 * MS, 600 * MS, 1200 * MS, 900 * MS, 0.5, 2.0), stamps, line)


def test_the_replay_shows_the_frame_of_the_moment_and_the_whole_of_it():
    on = stage(pictures=Pictures(numbered))
    on.show("replay", View(verdict="hit", word="tall leg", replay=a_replay(())), 0)
    for t_ms, frame in ((0, 0), (305, 30), (600, 60), (1000, 80), (1200, 90), (3000, 90), (3210, 90), (3450, 102),
                        (4000, 140), (4500, 180)):
        on.tick(t_ms * MS)
        assert on.screen.surface.get_at((300, 600))[0] == frame % 200 + 20, t_ms
    red = np.argwhere((pixels(on) == (255, 0, 0)).all(axis=2))
    (top, left), (bottom, right) = red.min(axis=0), red.max(axis=0)
    assert (right - left + 1) / (bottom - top + 1) == pytest.approx(16 / 9, rel=0.01)      # all four edges are there


def test_the_leg_is_drawn_while_it_stands_still_and_only_then():
    on = stage(pictures=Pictures(numbered))
    on.show("replay", View(verdict="hit", word="x", replay=a_replay()), 0)
    for t_ms, drawn in ((500, False), (1000, False), (2000, True), (3100, True), (3400, False)):
        on.tick(t_ms * MS)
        picture = pixels(on)[200:, :960]
        assert (picture == tokens.SKY).all(axis=2).any() == drawn, t_ms


def test_a_leg_that_was_not_seen_is_not_drawn():
    on = stage(pictures=Pictures(numbered))
    for line in ((), ((float("nan"), 1.0), (2.0, 3.0), (4.0, 5.0))):
        on.show("replay", View(verdict="not seen", word="not seen", replay=a_replay(line)), 0)
        on.tick(2000 * MS)
        assert not (pixels(on)[200:, :960] == tokens.CHALK).all(axis=2).any()


def test_a_frame_that_is_gone_leaves_the_one_before_it():
    on = stage(pictures=Pictures(lambda frame: numbered(frame) if frame < 50 else None))
    on.show("replay", View(word="x", replay=a_replay()), 0)
    for t_ms in (0, 490, 700):
        on.tick(t_ms * MS)
    assert on.screen.surface.get_at((300, 600))[0] == 49 + 20


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_words_of_a_replay_are_set_one_by_one_while_its_verdict_is_on(language):
    """So that none of them holds a picture back: to find the size of one takes some milliseconds."""
    letters._fitted.cache_clear()
    on, set_ = stage(language, pictures=Pictures(numbered)), []
    replay = dataclasses.replace(a_replay(()), from_ns=500 * MS)
    on.show("verdict", View(verdict="hit", word="tall leg", value="knee 171°", ball=7, replay=replay), 0)
    for t_ms in range(0, 500, 10):
        before = letters._fitted.cache_info().misses
        on.tick(t_ms * MS)
        set_.append(letters._fitted.cache_info().misses - before)
    assert on.now == "verdict" and sum(set_[1:]) == 6 and max(set_[1:]) == 1
    before = letters._fitted.cache_info().misses
    for t_ms in range(500, 5000, 10):
        on.tick(t_ms * MS)
    assert letters._fitted.cache_info().misses == before


def test_a_replay_without_any_picture_says_so_and_ends():
    on = stage()
    on.show("replay", View(word="x", replay=a_replay()), 0)
    on.tick(0)
    assert (pixels(on)[180:] == tokens.DIM).all(axis=2).any()
    on.tick(20 * NS)
    assert on.now == "up"


def test_banner_lies_over_the_foot_and_leaves_the_word_and_the_whole_picture():
    on = stage(pictures=Pictures(numbered))
    view = View(verdict="hit", word="tall leg", replay=a_replay(), banner=("the disk is full", "Words go on."))
    on.show("replay", view, 0)
    on.tick(0)
    assert max(ink_rows(on, tokens.SKY, 0, 0.25)) >= 0.2 * 720
    red = np.argwhere((pixels(on) == (255, 0, 0)).all(axis=2))
    assert red[:, 0].max() < 720 * (1 - banner.SLIM)
    assert (pixels(on)[-60:] == tokens.CHALK).all(axis=2).mean() > 0.5
    on.update(dataclasses.replace(view, banner=()))
    on.tick(100 * MS)
    assert (pixels(on)[-60:] == tokens.CHALK).all(axis=2).mean() < 0.05


def test_waiting_moves_and_dims_so_that_nothing_burns_in():
    on = stage()
    on.show("waiting", View(), 0)
    seen = []
    for t_s in (1, 1 + MOVE_S, 1 + DIM_S):
        on.tick(int(t_s) * NS)
        seen.append(pixels(on).astype(int))
    assert (np.abs(seen[0] - seen[1]).max(axis=2) > 50).any()
    assert seen[2].max() < 0.5 * seen[0].max()


def test_waiting_shows_the_net_late_and_only_where_it_may():
    asked = []
    pictures = Pictures(numbered, lambda first, last: asked.append(last) or [Stamp(last * 100 // NS, last)])
    on = Stage(Screen(Asked(blur_waiting=False), headless=True), Texts("en"), pictures)
    on.show("waiting", View(live=True), 0)
    on.tick(10 * NS)
    assert asked == [6 * NS] and (pixels(on) == (255, 0, 0)).all(axis=2).any()
    assert on.tick(10 * NS + NS // 60) is False      # not more often than it must be
    on.show("waiting", View(live=False), 20 * NS)
    on.tick(21 * NS)
    assert not (pixels(on) == (255, 0, 0)).all(axis=2).any() and len(asked) == 1


def test_waiting_shows_nobody_who_could_be_known():
    """Of a picture as fine as a face the waiting screen shows spots, unless the setting says otherwise."""
    r = np.random.default_rng(3)
    fine = np.kron(r.integers(0, 2, (90, 160, 1), np.uint8) * np.uint8(255), np.ones((8, 8, 3), np.uint8))
    sharpness = {}
    for blur in (True, False):
        screen = Screen(Asked(width_px=1280, height_px=720, blur_waiting=blur), headless=True)
        on = Stage(screen, Texts("en"), Pictures(lambda frame: fine, lambda first, last: [Stamp(1, last)]))
        on.show("waiting", View(live=True), 0)
        on.tick(10 * NS)
        inside = pixels(on)[100:400, 300:900].astype(float)
        sharpness[blur] = np.abs(np.diff(inside.mean(2), axis=1)).mean()
    assert sharpness[True] < 0.1 * sharpness[False]


def test_the_screen_as_a_whole_changes_at_most_three_times_a_second():
    """WCAG 2.3.1: a flash is a pair of opposing changes of a tenth of the full brightness; here every change counts."""
    on = stage(size=(640, 360), pictures=Pictures(numbered))
    soon = dataclasses.replace(a_replay(), from_ns=2 * NS)
    view = View(player="Isha", verdict="miss", word="lane: left", replay=soon)
    bright, changed_s = None, []
    on.show("up", view, 0)
    for i in range(200):
        t_ns = i * NS // 20
        if i == 20:
            on.show("verdict", view, t_ns)
        if on.tick(t_ns):
            now = pixels(on).mean() / 255
            if bright is not None and abs(now - bright) > 0.1:
                changed_s.append(t_ns / NS)
            bright = now
    assert changed_s and all(sum(t <= u < t + 1 for u in changed_s) <= 3 for t in changed_s)


PLAN = ReplayPlan(0, 3 * NS, NS, 2 * NS, 1500 * MS, 0.25, 3.0)


@pytest.mark.parametrize("elapsed_s, picture_s, standing, slow", [
    (-1, 0, False, False), (0, 0, False, False), (0.5, 0.5, False, False), (1.0, 1.0, False, True),
    (2.0, 1.25, False, True), (3.0, 1.5, True, False), (5.9, 1.5, True, False), (6.0, 1.5, False, True),
    (7.0, 1.75, False, True), (8.0, 2.0, False, False), (8.5, 2.5, False, False), (9.0, 3.0, False, False),
    (99.0, 3.0, False, False)])
def test_the_plan_of_a_replay(elapsed_s, picture_s, standing, slow):
    """1 s real, 0.5 s in 2 s, 3 s standing, 0.5 s in 2 s, 1 s real, then the last frame held."""
    moment = PLAN.at(round(elapsed_s * NS))
    assert (moment.picture_ns / NS, moment.standing, moment.slow) == (pytest.approx(picture_s), standing, slow)
    assert PLAN.duration_ns == round((9 + HOLD_S) * NS) and moment.over == (elapsed_s >= 9 + HOLD_S)


@settings(max_examples=200)
@given(st.lists(st.integers(0, 10**10), min_size=5, max_size=5), st.floats(0.05, 1), st.floats(0, 5),
       st.integers(0, 2 * 10**15))
def test_a_replay_never_runs_back_and_shows_everything(times, slow, stop_s, origin_ns):
    """Whatever the order of the asked moments: forward only, from the first to the last, and it ends."""
    first, last = sorted(times[:2])
    a, b, stop = times[2:]
    plan = ReplayPlan(*(t + origin_ns for t in (first, last, min(a, b), max(a, b), stop)), slow, stop_s)
    steps = [*range(0, plan.duration_ns, max(1, plan.duration_ns // 60)), plan.duration_ns]
    moments = [plan.at(t) for t in steps]
    pictures = [m.picture_ns for m in moments]
    assert pictures == sorted(pictures) and moments[-1].over
    assert pictures[0] == first + origin_ns and pictures[-1] == last + origin_ns
    assert any(plan.at(t).standing for t in range(0, plan.duration_ns, max(1, NS // 100))) == \
        (first <= stop <= last and stop_s > 0.01) or 0 < stop_s <= 0.02


@pytest.mark.parametrize("picture_ns, frame", [(-5, 7), (0, 7), (9, 7), (10, 8), (24, 8), (25, 11), (99, 11)])
def test_the_newest_frame_at_or_before_a_moment(picture_ns, frame):
    assert newest([Stamp(7, 0), Stamp(8, 10), Stamp(11, 25)], picture_ns).frame == frame
    assert newest([], picture_ns) is None


@pytest.mark.parametrize("bad", [dict(last_ns=-1), dict(slow=0.0), dict(slow=1.5), dict(stop_s=-1.0)])
def test_a_replay_that_cannot_run_is_refused(bad):
    with pytest.raises(ValueError):
        dataclasses.replace(PLAN, **bad)
