"""Growth: a rate by the calendar, and a spurt only where half a centimetre of reading error cannot have made it."""
from __future__ import annotations

from datetime import date

import pytest

from creaseside.growth import SHORTEST_DAYS, growths


def test_the_rate_is_centimetres_a_year():
    one, = growths([(date(2025, 1, 1), 1.50), (date(2026, 1, 1), 1.58)])
    assert one.cm_year == pytest.approx(8.0, abs=0.02) and one.sd == pytest.approx(0.71, abs=0.01)
    assert (one.since, one.until) == (date(2025, 1, 1), date(2026, 1, 1))


@pytest.mark.parametrize("cm, word", [(10.0, "yes"), (8.0, "perhaps"), (5.0, "no"), (0.0, "no"), (-1.0, "no")])
def test_a_spurt_is_sure_or_perhaps(cm, word):
    one, = growths([(date(2025, 1, 1), 1.50), (date(2026, 1, 1), 1.50 + cm / 100)])
    assert one.spurt == word


def test_readings_that_are_close_together_are_not_compared():
    days = [(date(2026, 1, 1), 1.50), (date(2026, 1, 15), 1.51), (date(2026, 4, 1), 1.52)]
    assert [(g.since, g.until) for g in growths(days)] == [(days[0][0], days[2][0]), (days[1][0], days[2][0])]
    assert all((g.until - g.since).days >= SHORTEST_DAYS for g in growths(days))
    assert growths(days[:1]) == growths([]) == []
