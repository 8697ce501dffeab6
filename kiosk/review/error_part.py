"""Own error: how far a player's balls, halves of sessions and sessions differ by themselves, from their own balls alone.

What the balls cannot carry is left out with the reason. It lays no player beside another.
"""
from __future__ import annotations

from itertools import groupby
from typing import Mapping, Sequence

import numpy as np

from creaseside import reliability
from kiosk.logbook.reading import Row
from kiosk.review import words
from kiosk.review.look import Figure

QUIET_BLOCKS = ("baseline", "no_feedback")
FEWEST_SESSIONS = 10     # limits and correlations of fewer say next to nothing (ours; Bland & Altman ask for many more)
FEWEST_PAIRS = 2         # of balls in a session, for halves of it


def figures(measures: Sequence[str], by_session: Mapping[str, Sequence[Row]]) -> list[Figure]:
    return [_own(measures, by_session), _alike(measures, by_session)]


def _own(measures: Sequence[str], by_session: Mapping[str, Sequence[Row]]) -> Figure:
    """From ball to ball, and from one session to the next."""
    rows = [row for m in measures if (row := _error_row(m, by_session))]
    says = ("How far one ball of this player is off their own usual, and how far two of their sessions differ, measured "
            "on their own balls: changes smaller than this say nothing."
            if rows else "There are not enough balls yet for an error of one's own.")
    return Figure("own-error", "Own error", says, None,
                  ("Measure", "From ball to ball (typical error, 95 % interval)",
                   "Least change for one ball against one",
                   "…for means of six", "From session to session (typical error)"), rows,
                  "From ball to ball: the root of the mean square within blocks (Bland & Altman 1996; for two trials "
                  "the typical error of Hopkins 2000), of baseline and no-feedback blocks, else of all but the "
                  "warm-up; interval by chi-square. It assumes that balls scatter alike in every block and nothing "
                  "drifts within one; the player's own scatter and the measuring error are both in it. Least "
                  "change: Weir 2005, 1.96 · √2 · error / √balls; the root holds for what differs from ball to ball, "
                  "not for what a session's balls share. From session to session: sd of the differences between "
                  "sessions one after the other, over √2 (Hopkins 2000), of their means: real changes are in it too." if rows else "")


def _error_row(m: str, by_session: Mapping[str, Sequence[Row]]) -> list[str] | None:
    quiet = [[b for b in balls if b["block_kind"] in QUIET_BLOCKS] for balls in by_session.values()]
    use = [b for some in (quiet if any(quiet) else by_session.values()) for b in some
           if b["block_kind"] != "warm_up" and b[m] is not None]
    groups = [np.array([b[m] for b in g]) for _, g in groupby(use, lambda b: (b["session"], b["block"]))]
    try:
        own = reliability.within([len(g) for g in groups], [g.sum() for g in groups], [(g * g).sum() for g in groups])
    except ValueError:
        return None
    u, d = words.unit(m), words.decimals(m, own.error / 10)
    means = [np.mean([b[m] for b in g]) for _, g in groupby(use, lambda b: b["session"])]
    try:
        error = reliability.typical_error(means[:-1], means[1:])
        between = f"{words.figure(error, d)}{u} ({words.count(len(means) - 1, 'pair')})"
    except ValueError:
        between = "not enough sessions"
    return [words.name(m), f"{words.figure(own.error, d)}{u} ({words.figure(own.low, d)} to "
                           f"{words.figure(own.high, d)}{u}; "
            f"{words.count(own.balls, 'ball')}, {words.count(own.groups, 'block')})",
            f"{words.figure(reliability.mdc95(own.error), d)}{u}",
            f"{words.figure(reliability.mdc95(own.error, 6), d)}{u}", between]


def _alike(measures: Sequence[str], by_session: Mapping[str, Sequence[Row]]) -> Figure:
    """Halves of the same session against each other, and a session against the next."""
    rows = [row for m in measures if (row := _alike_row(m, list(by_session.values())))]
    says = ("How far the means of a session's odd and even balls differ, and those of a session and the one before: about "
            "95 of 100 such differences of this player lie within the limits." if rows else
            f"How alike halves of a session are needs {words.count(FEWEST_SESSIONS, 'session')} with "
            f"{words.count(2 * FEWEST_PAIRS, 'measured ball')} in each, and so many are not there yet.")
    return Figure("alike", "How alike", says, None,
                  ("Measure", "Half against half (95 % limits of agreement)",
                   "Next session against this one (95 % limits)", "ICC of a session's mean (95 % interval)"), rows,
                  "Limits of agreement: the mean of the differences ± 1.96 sd (Bland & Altman 1986). Half against half: "
                  "odd balls' mean less even balls' mean, warm-up left out, a pair a session; it assumes differences "
                  "that are nearly normal and as wide in every session, and each limit has itself a standard error of "
                  "about 1.7 sd / √pairs. Next session: of the means of both halves; each stands in two pairs, and real "
                  "changes are in it. ICC (1,k) of the two halves (Shrout & Fleiss 1979), interval "
                  "by F: the share of the spread between this player's session means that is more than chance. It "
                  "assumes that sessions differ normally. Near 0, or below, where all sessions are alike, which says nothing "
                  "against the measuring; no number to hold beside another player's." if rows else "")


def _alike_row(m: str, sessions: Sequence[Sequence[Row]]) -> list[str] | None:
    halves = np.array([h for balls in sessions if (h := _halves(m, balls))])
    if len(halves) < FEWEST_SESSIONS:
        return None
    odd, even = halves.T
    try:
        icc = reliability.alike(halves)
        share = f"{words.figure(icc.icc, 2)} ({words.figure(icc.low, 2)} to {words.figure(icc.high, 2)})"
    except ValueError:
        share = "halves that never differ"
    means = halves.mean(1)
    after = "not enough sessions" if len(means) <= FEWEST_SESSIONS else _limits(m, means[1:], means[:-1], "pair")
    return [words.name(m), _limits(m, odd, even, "session"), after, share]


def _limits(m: str, first: np.ndarray, second: np.ndarray, each: str) -> str:
    of = reliability.limits_of_agreement(first, second)
    return f"{words.span(m, of.low, of.high)} ({words.count(of.n, each)})"


def _halves(m: str, balls: Sequence[Row]) -> tuple[float, float] | None:
    """The means of the odd and of the even measured balls, as many of both from each block; None where there are few."""
    pairs: list[float] = []
    kept = (b for b in balls if b["block_kind"] != "warm_up" and b[m] is not None)
    for _, some in groupby(kept, lambda b: b["block"]):
        values = [b[m] for b in some]
        pairs += values[:len(values) // 2 * 2]
    return (float(np.mean(pairs[::2])), float(np.mean(pairs[1::2]))) if len(pairs) >= 2 * FEWEST_PAIRS else None
