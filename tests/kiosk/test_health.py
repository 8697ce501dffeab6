"""Health: rates from stamps, lost frames from their steps, lateness as numpy counts percentiles."""
from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from creaseside.stamps import NS, Stamp
from kiosk.health import Health, lateness


def run(fps: float, seconds: float, asked=None, drop=()) -> tuple[Health, int]:
    health = Health(asked)
    t_ns = 0
    for i in range(round(fps * seconds)):
        t_ns = round(i / fps * NS)
        if i not in drop:
            health.frame(Stamp(i, t_ns))
    return health, t_ns


@pytest.mark.parametrize("fps", [25, 29.97, 60, 120, 240])
@pytest.mark.parametrize("asked", [False, True])
def test_the_rate_is_that_of_the_stamps(fps, asked):
    health, now_ns = run(fps, 8, fps if asked else None)
    seen = health.snapshot(now_ns)
    assert seen.fps == pytest.approx(fps, rel=1e-6) and seen.lost == 0 and seen.frames == round(fps * 8)


@pytest.mark.parametrize("fps", [25, 60, 240])
def test_lost_frames_are_counted_from_the_steps(fps):
    health, now_ns = run(fps, 3, fps, drop={11, 12, 20})
    assert health.snapshot(now_ns).lost == 3


def test_a_light_that_goes_out_shows_within_five_seconds():
    health = Health(60)
    t_ns = 0
    for i in range(600):
        t_ns += NS // 60 if i < 300 else NS // 31
        health.frame(Stamp(i, t_ns))
        if i == 300 + 5 * 31:
            break
    assert health.snapshot(t_ns).fps == pytest.approx(31, rel=0.01)


def test_silence_is_a_rate_of_nought_and_not_an_old_one():
    health, now_ns = run(60, 3)
    assert health.snapshot(now_ns + NS // 2).fps == pytest.approx(60, rel=0.01)
    quiet = health.snapshot(now_ns + 2 * NS)
    assert quiet.fps == 0 and quiet.silent_s == 2


def test_an_absence_is_not_a_heap_of_lost_frames():
    health, now_ns = run(60, 1, 60)
    health.frame(Stamp(60, now_ns + 30 * NS))
    assert health.snapshot(now_ns + 30 * NS).lost == 0


def test_before_the_first_frame_nothing_is_claimed():
    empty = Health(120).snapshot(5)
    assert (empty.frames, empty.fps, empty.silent_s, dict(empty.late)) == (0, None, None, {})


@pytest.mark.parametrize("n", [1, 2, 3, 20, 101])
def test_percentiles_are_numpys(n):
    ms = list(np.random.default_rng(n).gamma(2, 5, n))
    found = lateness(ms)
    assert (found.p50_ms, found.p95_ms, found.max_ms) == pytest.approx((*np.percentile(ms, [50, 95]), max(ms)))


def test_a_snapshot_is_frozen_and_is_plain_json():
    health, now_ns = run(60, 1)
    health.count("damaged")
    health.count("damaged", 2)
    health.late("cue", 1_000_000, 4_500_000)
    seen = health.snapshot(now_ns)
    health.count("damaged")
    assert seen.counts == {"damaged": 3} and seen.late["cue"].p50_ms == 3.5
    with pytest.raises(dataclasses.FrozenInstanceError):
        seen.frames = 0
    with pytest.raises(TypeError):
        seen.counts["damaged"] = 0
    assert json.loads(json.dumps(seen.as_json()))["late_ms"]["cue"] == {"n": 1, "p50": 3.5, "p95": 3.5, "max": 3.5}
