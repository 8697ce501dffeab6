"""Words and charts of the review pages: numbers as coarse as their error, sentences that claim no more."""
from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from creaseside.ball import Value
from creaseside.focus import MEASURES
from creaseside.own_best import OwnBest
from creaseside.progress import Mean, Stuck
from kiosk.review import charts, words


@pytest.mark.parametrize("measure, value, sd, text", [
    ("front_knee_ffc_deg", 162.44, 3.1, "162 ± 3°"), ("front_knee_ffc_deg", 162.44, 1.4, "162.4 ± 1.4°"),
    ("front_knee_ffc_deg", 162.44, 14.0, "162 ± 14°"), ("approach_deg", -0.04, 1.2, "0.0 ± 1.2°"),
    ("approach_deg", -3.25, 0.4, "−3.2 ± 0.4°"), ("stride_length_m", 1.5234, 0.021, "1.52 ± 0.02 m"),
    ("stride_length_m", 1.5234, 0.0021, "1.523 ± 0.002 m"), ("run_up_speed_m_s", 5.5, 0.1, "5.50 ± 0.10 m/s"),
    ("speed_kept", 0.618, 0.04, "0.62 ± 0.04"), ("ffc_to_br_s", 0.1034, 0.004, "0.103 ± 0.004 s"),
    ("turn_deg", 4.0, None, "4.0° (sd not known)"), ("turn_deg", 4.0, 0.0, "4.0 ± 0.0°")])
def test_a_number_is_as_coarse_as_its_error(measure, value, sd, text):
    assert words.with_sd(measure, Value(value, sd)) == text


@given(st.sampled_from(MEASURES), st.floats(-300, 300), st.floats(1e-6, 90))
def test_rounding_moves_no_number_by_more_than_its_error(measure, value, sd):
    shown = words.number(measure, value, sd)
    read = float(shown.replace("−", "-").removesuffix("°").split(" ")[0])
    finest = words.FINEST["deg" if measure.endswith("deg") else "ratio"]
    assert abs(read - value) <= max(0.5 * sd, 0.51 * 10.0 ** -finest)
    assert not shown.startswith("−0°") and "-" not in shown


def test_what_was_not_measured_says_why():
    assert words.with_sd("turn_deg", Value.missing("no marks")) == "no marks"
    assert words.number("turn_deg", None) == words.number("turn_deg", math.nan) == "–"


@pytest.mark.parametrize("found, said, unsaid", [
    (Stuck("changed", 4.1, 0.9, 7.3, 3.2), "more than the measurement can explain", "cannot tell"),
    (Stuck("cannot tell", -1.2, -4.0, 1.6, 2.8, 9, 14), "about nine balls more without feedback would", "explain"),
    (Stuck("cannot tell", 1.2, -4.0, 6.4, 5.2, None, 28), "two new blocks of about 28 balls would", "explain"),
    (Stuck("cannot tell", 0.1, -5.0, 5.2, 5.1), "no block of a sensible length", "explain"),
    (Stuck("same", 0.1, -0.4, 0.6, 0.5, 0, 0), "as in the baseline", "explain"),
    (Stuck("cannot tell", reason="asked 4 measured balls a block, found 2"), "found 2", "explain")])
def test_the_sentence_says_what_the_balls_can_tell(found, said, unsaid):
    text = words.stuck("front_knee_ffc_deg", found, 6)
    assert text.startswith("Did it stick?") and said in text and unsaid not in text and "nan" not in text
    assert not {"better", "improved", "worse", "good"} & set(text.lower().replace(".", " ").split())


def test_more_balls_are_never_asked_for_at_once():
    text = words.stuck("turn_deg", Stuck("cannot tell", -1.2, -4.0, 1.6, 2.8, 9, 14), 6)
    assert "on another day, within the day's limit" in text


def test_a_best_speed_is_said_with_its_interval_or_with_what_is_missing():
    assert "5.40 m/s (95 % interval 5.10 to 5.80 m/s)" in words.best(OwnBest(5.4, 5.1, 5.8, (0, 0, 0), 40))
    assert "5.1 m/s (95 % interval 4.1 to 6.1 m/s)" in words.best(OwnBest(5.1, 4.1, 6.1, (0, 0, 0), 40))
    assert words.best(OwnBest(reason="not shown under 18")) == "No own best run-up speed is shown: not shown under 18."


def test_a_mean_has_its_interval_and_its_balls():
    assert words.mean("approach_deg", Mean(2.34, 1.1, 3.58, 1.0, 6, 6)) == "2.3° (95 % interval 1.1 to 3.6°, six balls)"
    assert words.mean("approach_deg", Mean(balls=2, reason="asked 4")) == "no mean: asked 4"


@pytest.mark.parametrize("low, high, text", [
    (-4.0, 4.0, "the gate from −4° to 4°"), (150.5, None, "the gate, at least 150.5°"),
    (None, 170.0, "the gate, at most 170°"),
    (0.0, 10.0, "the gate from 0° to 10°"), (None, None, "no gate")])
def test_a_gate_is_said_as_it_was_set(low, high, text):
    assert words.gate("approach_deg", low, high) == text


@pytest.mark.parametrize("n, text", [(0, "no balls"), (1, "one ball"), (12, "twelve balls"), (13, "13 balls"),
                                     (1741, "1 741 balls")])
def test_counts_are_words(n, text):
    assert words.count(n, "ball") == text


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(3, 9))
def test_ticks_are_few_round_and_inside(low, span, most):
    found = charts.ticks(low, low + span, most)
    assert len(found) <= most + 1 and all(low - 1e-6 * span <= t <= low + span * (1 + 1e-6) for t in found)
    if len(found) > 1:
        step = found[1] - found[0]
        assert step / 10 ** math.floor(math.log10(step) + 1e-9) == pytest.approx(min((1, 2, 5, 10), key=lambda s: abs(
            s - step / 10 ** math.floor(math.log10(step) + 1e-9))), rel=1e-6)


@given(st.lists(st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True, width=32)), max_size=6))
def test_a_scale_holds_every_number_that_there_is(values):
    y = charts.Scale.up(values)
    assert y.low < y.high
    assert all(charts.TOP - 0.5 <= y(v) <= charts.HEIGHT for v in values if v is not None and math.isfinite(v))


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, 1.4.3: relative luminances of two colours like #5A636D."""
    def luminance(colour: str) -> float:
        rgb = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
        return sum(w * (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4)
                   for w, c in zip((0.2126, 0.7152, 0.0722), rgb))
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_letters_stand_out_from_the_paper():
    """4.5 : 1, and the same sky, orange and dim as on the kiosk's screen."""
    from kiosk.drawing import tokens
    from kiosk.review.render import STATIC
    named = dict(re.findall(r"--(\w+): (#[0-9A-F]{6})", (STATIC / "style.css").read_text("utf-8")))
    assert all(contrast(named[c], named["paper"]) >= 4.5 for c in ("ink", "side", "rope", "deep"))
    assert contrast(named["paper"], named["ink"]) > 12
    for name in ("sky", "orange", "dim", "ink", "plate", "rope"):
        assert named[name] == "#%02X%02X%02X" % getattr(tokens, name.upper())


def test_words_in_a_picture_are_escaped():
    drawn = charts.svg('says "so"', charts.text(1, 2, "<b>&"), charts.linked('/x?a="', "<i>", charts.mark(1, 2, "hit")))
    assert "<b>" not in drawn and "<i>" not in drawn and "&lt;b&gt;&amp;" in drawn and 'href="/x?a=&#34;"' in drawn


def test_a_bar_beyond_the_scale_is_cut_at_its_edge():
    y = charts.Scale(0.0, 10.0, 100.0, 0.0)
    assert "M5.0 100.0L5.0 0.0" in charts.bar(5.0, y, -50.0, 60.0)
    assert charts.gate(y, None, None) == "" and charts.gate(y, 2.0, None).count("<line") == 1
