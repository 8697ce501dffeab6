"""How far balls, halves and sessions differ: from invented balls of which it is known."""
from __future__ import annotations

import re

import numpy as np
import pytest

from kiosk.review import error_part

M = "front_knee_ffc_deg"


def sessions(values: np.ndarray, kind: str = "baseline") -> dict[str, list[dict]]:
    """(sessions, balls) as the rows of one block each."""
    return {f"s-{i}": [{"session": f"s-{i}", "block": i, "block_kind": kind, M: v} for v in row.tolist()]
            for i, row in enumerate(values)}


def numbers(cell: str) -> list[float]:
    return [float(n) for n in re.findall(r"-?[0-9]+[.][0-9]+|-?[0-9]+", cell.replace("−", "-"))]


def test_the_limits_and_the_icc_are_those_that_were_planted():
    """Sessions differ by 3 degrees (sd), balls by 2: halves of 6 balls differ by 2 · √(2/6), and the mean of 12 has an
    ICC of 9 / (9 + 4 / 12)."""
    rng = np.random.default_rng(8)
    made = 160 + rng.normal(0, 3, (400, 1)) + rng.normal(0, 2, (400, 12))
    alike = error_part.figures([M], sessions(made))[1]
    _, halves, after, icc = alike.rows[0]
    low, high = numbers(halves)[:2]
    assert (low, high) == pytest.approx((-1.96 * 2 * np.sqrt(2 / 6), 1.96 * 2 * np.sqrt(2 / 6)), abs=0.25)
    low, high = numbers(after)[:2]
    assert (high - low) / 2 == pytest.approx(1.96 * np.sqrt(2 * (9 + 4 / 12)), rel=0.1)
    value, least, most = numbers(icc)
    assert least < 9 / (9 + 4 / 12) < most and value == pytest.approx(9 / (9 + 4 / 12), abs=0.02)
    assert "1.96 sd" in alike.how and "Shrout" in alike.how and "assumes" in alike.how


def test_a_shift_between_blocks_does_not_part_the_halves():
    """Blocks of an odd number of balls, ten degrees apart: the odd one is left out, not put into one half."""
    rows = [{"session": "s", "block": b, "block_kind": kind, M: v} for b, kind, v in (
        *((1, "warm_up", 90.0),) * 3, *((2, "baseline", 150.0),) * 3, *((3, "focus", None),), *((3, "focus", 160.0),) * 5)]
    assert error_part._halves(M, rows) == (np.mean([150, 160, 160]), np.mean([150, 160, 160]))


def test_what_few_sessions_cannot_carry_is_not_shown():
    nine = error_part.figures([M], sessions(np.random.default_rng(1).normal(160, 2, (9, 12))))[1]
    assert not nine.rows and "ten sessions" in nine.says and "four measured balls" in nine.says and not nine.how
    ten = error_part.figures([M], sessions(np.random.default_rng(1).normal(160, 2, (10, 12))))[1]
    assert ten.rows[0][2] == "not enough sessions" and "ten sessions" in ten.rows[0][1]
    same = error_part.figures([M], sessions(np.full((12, 4), 160.0)))[1]
    assert "never differ" in same.rows[0][3]
