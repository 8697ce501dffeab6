"""What frame rates and filters do to a landing: the closed form of reading the first frame after a contact, and the dual-pass
filter of gait laboratories with its published correction, both beside what is done here."""
from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, filtfilt, freqz

from creaseside.ball import Value
from creaseside.lane import Lane
from creaseside.measures import HOLDS_FROM_S, HOLDS_TO_S, HOLDS_USUAL, Seen, _at_contact
from creaseside.phases import Phases
from creaseside.track import Track, local_line

CORRECTION = (2**0.5 - 1) ** 0.25      # of a second-order filter's cut-off for two passes: 0.802, Winter 2009 ch. 3 (from memory)


def seen_at(t_s: np.ndarray) -> Seen:
    n = len(t_s)
    nothing = Value.missing("not asked")
    phases = Phases("right", "left", nothing, Value(0.0, 0.0), nothing, {"left": [], "right": []}, {})
    close = Track(t_s, np.arange(n), np.zeros((n, 33, 2)), np.zeros((n, 33, 3)), np.zeros((n, 2, 2)))
    return Seen(close, Lane(None, np.zeros(3), np.array([1.0, 0.0]), 150.0), phases, [], None, None, True, close)


@pytest.mark.parametrize("fps", [60, 120, 240])
@pytest.mark.parametrize("deg_s", [100, 300, 600])
def test_the_first_frame_is_late_by_the_closed_form_and_the_fit_is_not(fps, deg_s):
    """A contact falls anywhere between two frames: mean bias w / 2 fps, sd w / (fps sqrt 12), at most w / fps (uniform law)."""
    first, fitted, sds = [], [], []
    for phase in (np.arange(200) + 0.5) / 200:
        t = (np.arange(-0.1 * fps, 0.2 * fps) + phase) / fps
        angle = np.where(t < 0, 165 + 900 * t, 165 - deg_s * t)          # comes in fast, then gives way
        first.append(angle[t >= 0][0] - 165)
        read = _at_contact(seen_at(t), angle, Value(0.0, 0.0))
        fitted.append(read.value - 165)
        sds.append(read.sd)
    late = deg_s / fps
    assert np.mean(first) == pytest.approx(-late / 2, rel=0.01) and np.std(first) == pytest.approx(late / np.sqrt(12), rel=0.01)
    assert np.min(first) >= -late
    # What legs do pulls a knee that moves evenly by less than two degrees at 60 frames a second, one at 120: less than is stated.
    assert np.abs(fitted).max() < (2.1 if fps < 120 else 1.4) and (np.abs(fitted) < 0.8 * np.array(sds)).all()
    assert np.abs(np.mean(fitted)) < max(0.25 * late, 1.2)


@pytest.mark.parametrize("deg_s", [-150, 0, 150])
def test_a_back_knee_that_holds_gives_way_or_straightens_is_read_alike(deg_s):
    """It need not give way, so that nothing may pull it there."""
    t = (np.arange(-6, 12) + 0.4) / 60
    read = _at_contact(seen_at(t), 150.0 + deg_s * t, Value(0.0, 0.005), HOLDS_FROM_S, HOLDS_TO_S, HOLDS_USUAL)
    assert read.value == pytest.approx(150.0, abs=0.6)


def test_two_passes_let_half_the_power_through_at_the_corrected_cut_off():
    assert CORRECTION == pytest.approx(0.802, abs=5e-4)
    for wanted_hz in (5.0, 6.0, 12.0):
        design = np.arctan(np.tan(np.pi * wanted_hz / 120) / CORRECTION) * 120 / np.pi      # on the warped frequency
        b, a = butter(2, design, fs=120)
        _, gain = freqz(b, a, worN=[wanted_hz], fs=120)
        assert abs(gain[0]) ** 2 == pytest.approx(2**-0.5, rel=1e-6)


def test_a_gait_laboratory_s_filter_smears_a_landing_that_the_fit_reads():
    """6 Hz, dual pass, as for walking: a knee that comes in straightening at 900 deg/s loses degrees at its contact."""
    t = (np.arange(-60, 60) + 0.4) / 120
    angle = np.where(t < 0, np.maximum(165 + 900 * t, 90), 165 - 100 * t)
    b, a = butter(2, 6 / CORRECTION, fs=120)
    at_contact = np.interp(0.0, t, filtfilt(b, a, angle))
    ours = _at_contact(seen_at(t), angle, Value(0.0, 0.003)).value
    assert abs(at_contact - 165) > 8 and abs(ours - 165) < 1.0


def test_local_lines_do_not_lag_and_keep_what_a_20_hz_filter_keeps():
    """Against scipy's forward and backward filter on a 5 Hz swing: no shift in time, and no more of it lost."""
    t = np.arange(0, 2, 1 / 120)
    swing = 40 * np.sin(2 * np.pi * 5 * t)
    smooth, slope = local_line(t, swing, t, 0.020, 1)
    b, a = butter(2, 20 / CORRECTION, fs=120)
    theirs, middle = filtfilt(b, a, swing), slice(60, -60)
    assert smooth[middle] == pytest.approx(theirs[middle], abs=0.06 * 40)
    lag = np.sum(smooth[middle] * np.gradient(swing, t)[middle]) / np.sum(np.gradient(swing, t)[middle] ** 2)
    assert abs(lag) < 1e-4 and slope[middle] == pytest.approx(np.gradient(swing, t)[middle], abs=0.1 * 40 * 2 * np.pi * 5)
