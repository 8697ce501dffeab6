"""What was planted in an invented season is found again at the stated error rates, and nothing that is not there."""
from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest

from creaseside import rows
from creaseside.ball import Value
from creaseside.own_best import OwnBest, own_best
from creaseside.progress import Stuck, did_it_stick
from kiosk.logbook import Reader
from kiosk.place import Place
from tests.season import book
from tests.season.planted import NAMES, SOLO, Bowler, bowlers

BALLS, SEED = 20_000, 1
CHANCE = 0.08       # how often `changed` is said of nothing, where balls are correlated by 0.3 (creaseside.progress)


@dataclass(frozen=True, slots=True)
class Read:
    """One bowler's balls as the log gives them back. stuck: of each session with a whole plan."""

    bowler: Bowler
    rows: list[dict]
    stuck: list[Stuck]


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> tuple[dict, list[Read]]:
    place = Place(tmp_path_factory.mktemp("season"), quiet=True)
    made = book.write(place.folder, BALLS, SEED)
    with Reader(place, book.Calendar(book.LAST)) as log:
        found = [Read(b, all_ := log.ball_rows(player=b.id), stuck(b, all_)) for b in bowlers(SEED)]
    return made, found


def stuck(bowler: Bowler, all_: list[dict]) -> list[Stuck]:
    blocks: dict[str, dict[str, list[Value]]] = defaultdict(lambda: defaultdict(list))
    for row in all_:
        if row["block_kind"]:
            blocks[row["session"]][row["block_kind"]].append(rows.from_row(row)[bowler.measure])
    return [did_it_stick(b["baseline"], b["no_feedback"]) for b in blocks.values() if "no_feedback" in b]


def at_most(share: float, n: int) -> float:
    """A share that chance passes about once in 700 times (three standard errors of a binomial)."""
    return share + 3 * math.sqrt(share * (1 - share) / n)


def test_the_season_is_as_large_as_it_was_asked_for_and_the_same_every_time(season):
    made, found = season
    assert (made["balls"], made["players"]) == (BALLS, 40) and sum(len(f.rows) for f in found) == BALLS
    assert len(found[SOLO].rows) == 1
    assert bowlers(SEED) == bowlers(SEED) != bowlers(SEED + 1)


def test_every_name_comes_back_as_it_was(season):
    assert {f.bowler.shown_name for f in season[1]} == set(NAMES)


def test_nobody_under_18_is_asked_for_a_straighter_leg(season):
    measured = {f.bowler.measure for f in season[1] if f.bowler.age < 18}
    assert measured and not any(m.startswith(("front_knee", "run_up_speed")) for m in measured)


def test_what_was_taught_is_found_and_its_interval_holds_it(season):
    """Where the session taught something that stayed."""
    kept = [(f.bowler, s) for f in season[1] if f.bowler.learning == "keeps" for s in f.stuck]
    held = [s.low <= b.effect <= s.high for b, s in kept]
    changed = [(b, s) for b, s in kept if s.word == "changed"]
    assert len(kept) > 150 and np.mean(held) >= 1 - at_most(CHANCE, len(kept))
    assert len(changed) > 0.6 * len(kept)
    assert all(np.sign(s.change) == np.sign(b.effect) for b, s in changed)


@pytest.mark.parametrize("learning", ["leans", "none"])
def test_what_did_not_stay_is_not_claimed(season, learning):
    """Also where it was there as long as feedback was given."""
    words = [s.word for f in season[1] if f.bowler.learning == learning for s in f.stuck]
    assert len(words) > 150 and np.mean([w == "changed" for w in words]) <= at_most(CHANCE, len(words))


def best(found: Read, age: int | None = None) -> OwnBest:
    speeds = [(r["run_up_speed_m_s"], r["ball_speed_km_h"]) for r in found.rows]
    return own_best(*np.array(speeds, float).T, np.random.default_rng(SEED), age or found.bowler.age)


def test_the_own_best_run_up_is_found_where_there_is_one(season):
    """19 times of 20 the interval holds it: of all bowlers, as if they were grown up, all but 3 of 13 or 14."""
    peaks = [(f.bowler.best_run_up_m_s, best(f, 30)) for f in season[1] if f.bowler.speed == "peak" and len(f.rows) > 1]
    assert len(peaks) >= 12 and all(b for _, b in peaks)
    assert sum(not b.low <= true <= b.high for true, b in peaks) <= 3
    assert all(abs(b.speed_m_s - true) < 0.25 for true, b in peaks)


def test_no_best_run_up_is_named_where_there_is_none(season):
    """At most once in 20 times by chance: of some 26 bowlers, 4 or more would be a fault (p = 0.04)."""
    others = [best(f, 30) for f in season[1] if f.bowler.speed != "peak" and len(f.rows) > 1]
    assert len(others) > 20 and sum(map(bool, others)) <= 3


def test_nobody_under_18_is_told_a_run_up_for_pace(season):
    young = [best(f) for f in season[1] if f.bowler.age < 18]
    assert young and not any(young) and all("under 18" in b.reason for b in young)


def test_a_bowler_with_one_ball_gets_reasons_and_no_numbers(season):
    one = season[1][SOLO]
    assert not best(one, 30)
    assert did_it_stick([rows.from_row(r)["approach_deg"] for r in one.rows], []).word == "cannot tell"
