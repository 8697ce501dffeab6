"""Contacts: which foot is on the ground from when to when, to a fraction of a frame.

A foot is down while its heel or its toe stands still in the running plane. The edges are where its speed passes
a share of the run-up speed, between two looks. This room does not know which contact is which.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from creaseside.lane import Lane
from creaseside.track import Track, local_line

SPEED_HALF_S = 0.0135    # speed from looks this near: short, since landing takes 20 ms; never fewer than one either side
DOWN_SHARE = 0.24        # of the run-up speed: the usual rule for an ankle, 0.20 to 0.25, common practice for running;
DOWN_SHARE_PER_S = 6.0   # and more of it the farther the looks are apart: a stop between two of them is smeared to half the speed
SOFTLY_SHARE = 0.09      # less of it for a foot that is drawn back before it lands: half of so little speed is less (rendered: 6 ms early without),
SOFTLY_RUN_M_S = 5.2     # and of a usual run-up: how it still moves is its heel coming down, and noise (rendered: by a bowler's own run-up 6 ms
                         # later for each m/s that it is slower, and now and then 35 ms)
LIFT_SHARE = 0.45        # a planted foot rolls: it is up again only when its slower end really travels
EDGE_SHARE = 0.12        # of the time between two looks: what the line between their speeds leaves of it (rendered, 60 to 240 fps)
EDGE_SD_S = 0.002        # and what noise in those speeds makes of it
SHORTEST_S = 0.045       # a sprinter's contact lasts 90 ms and more; half of that is no contact
GAP_S = 0.030            # a still foot that twitches for less than this did not leave the ground


@dataclass(frozen=True, slots=True)
class Contact:
    """One foot on the ground: `on_s`..`off_s` (off_s NaN when still down at the end); `on_sd_s` from speed noise and frame rate,
    infinite where the foot stood when it was first seen: then `on_s` is that look."""

    side: str
    on_s: float
    on_sd_s: float
    off_s: float


def half_s(gap_s: float | np.ndarray) -> np.ndarray:
    """Speeds are those of the line through the looks within so long of each, s, where looks are so far apart."""
    return np.maximum(SPEED_HALF_S, 1.05 * gap_s)


def foot_speeds(track: Track, lane: Lane, side: str) -> np.ndarray:
    """Speed of heel, toe and ankle in the running plane, (3, T) m/s; NaN in looks that see neither heel nor toe."""
    half = half_s(track.gap_s())
    places = [lane.flat(track[f"{side}_{part}"]) for part in ("heel", "toe", "ankle")]
    speeds = [np.linalg.norm(local_line(track.t_s, place, track.t_s, half, 1)[1], axis=1) for place in places]
    return np.where(np.isfinite(places[:2]).all(2).any(0), speeds, np.nan)


def of(track: Track, lane: Lane, side: str, run_up_m_s: float, softly: bool = False) -> list[Contact]:
    """The contacts of one foot, in order of time. softly: it comes down nearly still, as a bowler's back foot does."""
    if len(track) < 3:
        return []
    parts = foot_speeds(track, lane, side)
    speed, lands = np.fmin(*parts[:2]), _mean(parts[:2]) if softly else _mean(np.sort(parts, axis=0)[:2])
    along = lane.flat(track[f"{side}_ankle"])[:, 0]
    limit = np.minimum(DOWN_SHARE + DOWN_SHARE_PER_S * track.gap_s(), LIFT_SHARE) * run_up_m_s
    down = np.nan_to_num(speed, nan=np.inf) < limit
    t = track.t_s
    runs = [[r[0], r[-1]] for r in np.split(np.arange(len(t)), np.flatnonzero(np.diff(down)) + 1) if len(r) and down[r[0]]]
    joined: list[list[int]] = []
    for first, last in runs:
        gone = t[first] - t[joined[-1][1]] if joined else np.inf
        if gone < GAP_S + 1.5 * track.period_s() and not along[first] - along[joined[-1][1]] > LIFT_SHARE * run_up_m_s * gone:
            joined[-1][1] = last
        else:
            joined.append([first, last])
    contacts = []
    for first, last in joined:
        if t[last] - t[first] + track.period_s() < SHORTEST_S:
            continue
        off = float(t[last]) if last + 1 < len(t) else float("nan")
        if not np.isfinite(speed[:first]).any():
            contacts.append(Contact(side, float(t[first]), float("inf"), off))
        else:
            share = limit[first] / run_up_m_s
            on, sd = _edge(t, lands, first, (share - SOFTLY_SHARE) * SOFTLY_RUN_M_S if softly else limit[first])
            contacts.append(Contact(side, on, sd, off))
    return contacts


def _mean(speeds: np.ndarray) -> np.ndarray:
    """Of those that are seen, (T,)."""
    seen = np.isfinite(speeds)
    return np.where(seen.any(0), np.where(seen, speeds, 0.0).sum(0) / np.maximum(seen.sum(0), 1), np.nan)


def _edge(t: np.ndarray, speed: np.ndarray, first: int, limit: float) -> tuple[float, float]:
    """When the falling speed passes the limit, between looks first - 1 and first; and how sure that is.

    A foot that was hidden until it, or the look before it, may have come down at any time since it was last seen (uniform law).
    """
    hidden = np.flatnonzero(np.isnan(speed[:first]))[-1:]
    seen = np.flatnonzero(np.isfinite(speed[:hidden[0]])) if len(hidden) and hidden[0] >= first - 2 else ()
    if len(seen):
        gone = t[seen[-1]]
        return float((gone + t[first]) / 2), float((t[first] - gone) / np.sqrt(12))
    while first + 1 < len(speed) and limit < speed[first] > speed[first + 1]:
        first += 1
    a, b = speed[first - 1], speed[first]
    step = t[first] - t[first - 1]
    share = min((a - limit) / max(a - b, 1e-6), 1.0)
    return float(t[first - 1] + share * step), float(np.hypot(EDGE_SHARE * step, EDGE_SD_S))
