"""Phases: back foot contact, front foot contact and release of one ball, from its close track, to a fraction of a frame.

What follows what is a table; a ball whose contacts do not follow it keeps those that do and says why the others are missing.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from creaseside import contacts, joints
from creaseside.ball import Value
from creaseside.contacts import Contact
from creaseside.lane import Lane
from creaseside.pose import OTHER
from creaseside.swing import arm_angle_deg
from creaseside.track import Track, local_line, most_sd

# What follows what, and how long after, seconds: published means are 0.17 to 0.25 and 0.08 to 0.13, taken wide (0.10-0.40, 0.05-0.20).
BFC_TO_FFC_S = (0.08, 0.42)
FFC_TO_BR_S = (0.03, 0.24)
LANDING_TO_COARSE_S = (-0.06, 0.24)   # to a coarse release, which may be early by the time that arms take to be told apart
USUAL_BFC_TO_FFC_S, USUAL_FFC_TO_BR_S = 0.20, 0.10

RELEASE_ARM_DEG = 17.0   # shoulder to wrist, forward of straight up, when the ball leaves the hand (measured on rendered deliveries: 12 to 20)
RELEASE_SD_S = 0.0015    # of the moment at which it passes that angle (rendered). Whoever lets go elsewhere does so in every ball: a constant of theirs
ASLANT_SD_S = 0.014      # and 45 degrees off side-on: a foot that comes in from the side seems to stand before it does (rendered)
# Beyond frame rate: feet that brush before they stand; and a far back foot, before which the front leg passes as it lands. So large
# that 97 of 100 of 239 drawn balls lie within 1.96 sd (7 ms off near, 11 far, weighed with LOW).
CONTACT_BIAS_SD_S = {"bfc": 0.0062, "far bfc": 0.0126, "ffc": 0.0015}

# Heel and ankle fall slower than this from so long after the landing on, that far apart, where speeds are taken over so long: 59 drawn
# deliveries 11 ms, 5 apart either way seen square and 6 by a camera far aslant, to which a foot seems to stand 9 ms off; puppets, whose
# feet stop at once, 4.
FALLS_M_S, FALLEN_S, FALLEN_SD_S, FALLEN_HALF_S = -0.4, 0.0085, 0.008, 0.0175
FALLEN_NEAR_S = 0.050     # of where it seems to stand, and not before: a foot that glides along the ground has not landed


class Low(NamedTuple):
    """Heel, toe and ankle are together `over_m` higher than where they stand, `after_s` before the landing, give or take `sd_s`. How high they
    stand is told by the `stands_s` from when they seem to. `hangs`: they may have seemed to while they were in the air."""

    over_m: float
    after_s: float
    sd_s: float
    stands_s: float
    hangs: bool = False


# A back foot comes down with hardly a stop to see, and a far one seems to stand while it is in the air yet; how high it is tells apart from that:
# 130 drawn back feet, 7 ms apart near and 14 far, where their speeds tell 8 and 22, and 7 and 10 the two weighed together; looks that are evenly
# spread have both nearer. That all were drawn from one motion is not in it.
# A far front foot: 5.0 ms off without it, 3.4 so; for a near one, which is seen to stop, it tells nothing.
LOW = {"bfc": Low(0.03, 0.0093, 0.0072, 0.12), "far bfc": Low(0.03, 0.0184, 0.0192, 0.12, True), "far ffc": Low(0.02, 0.0010, 0.0090, 0.08)}
FAR_EARLY_S = 0.005                    # a far back foot seems to stand so much before it does, in the middle (65 of them)
HANGS_S = 0.030                        # the longer past this a far one is up after it seems to stand, the less that counts: it stood in the air
STANDS_SHARE = 35                      # the percentile of heights that is how high a foot stands: not before it landed, nor as it rolls
LOW_FROM_S, LOW_TO_S = -0.15, 0.10     # round when it seems to stand

# A foot that seems to come in so many times as fast as the bowler runs (one that swings is twice as fast) was elsewhere before: of 318 drawn
# back feet five, 22 ms off where they stated 7.
JUMPS, JUMP_SD_S = 4.5, 0.020
JUMP_FROM_S, JUMP_TO_S = -0.09, 0.03     # round when it seems to stand

KNEE_NEAR_S, TURNS_S = 0.060, np.arange(-0.025, 0.0255, 0.001)   # round a landing, in which the knee's turn is looked for
STRAIGHTENS_DEG_S = 150.0    # a leg that comes in does so at 300 and more (rendered), one that gives way at 100 to 300
TURN_SD_S, KNEE_LOOK_DEG = 0.020, 2.0   # how far that turn is from the landing (drawn: at it, a puppet's
                             # 20 ms before it; bowlers: not known), so that it weighs little; a look's noise


@dataclass(frozen=True, slots=True)
class Phases:
    """Times in s on the track's axis, each with its sd or a reason; the feet; every contact seen, by foot, those of the two
    landings as from when they were found to be down; and these, by foot."""

    arm: str
    front: str
    bfc: Value
    ffc: Value
    br: Value
    contacts: dict[str, list[Contact]]
    landings: dict[str, Contact]

    @property
    def back(self) -> str:
        return OTHER[self.front]


def of(track: Track, lane: Lane, arm: str, front: str, release_s: float, run_up_m_s: float) -> Phases:
    """The phases round a coarse release time."""
    back = OTHER[front]
    down = {side: contacts.of(track, lane, side, run_up_m_s, softly=side == back) for side in ("left", "right")}
    aslant = lane.aslant_at(track, release_s)
    far = {side: lane.metric and not lane.is_near(side) for side in down}
    ffc, landings = Value.missing("front foot contact not seen"), {}
    if stands := likeliest(down[front], release_s, LANDING_TO_COARSE_S, USUAL_FFC_TO_BR_S):
        ffc = Value(stands.on_s, float(np.hypot(stands.on_sd_s, contact_sd_s("ffc", aslant))))
        ffc = _as_the_knee_has_it(track, lane, front, _as_its_fall_has_it(track, lane, front, ffc))
        ffc = _as_its_height_has_it(track, lane, front, ffc, LOW["far ffc"]) if far[front] else ffc
        landings[front] = _moved(down[front], stands, ffc)
    br = release(track, lane, arm, release_s)
    if ffc and not _follows(ffc, br):                     # a coarse release from mixed-up arms: look where it must have been
        br = release(track, lane, arm, ffc.value + USUAL_FFC_TO_BR_S)
        if not _follows(ffc, br):
            br = Value.missing("bowling arm not seen over the top after the landing")
    if not ffc:
        return Phases(arm, front, ffc, ffc, br, down, landings)
    bfc = Value.missing("back foot contact not seen")
    if stands := likeliest(down[back], ffc.value, BFC_TO_FFC_S, USUAL_BFC_TO_FFC_S):
        which = "far bfc" if far[back] else "bfc"
        bfc = Value(stands.on_s + FAR_EARLY_S * far[back], float(np.hypot(stands.on_sd_s, contact_sd_s(which, aslant))))
        bfc = _doubted_where_it_jumps(track, lane, back, _as_its_height_has_it(track, lane, back, bfc, LOW[which]), run_up_m_s)
        landings[back] = _moved(down[back], stands, bfc)
    return Phases(arm, front, bfc, ffc, br, down, landings)


def release_sd_s(gap_s: float) -> float:
    """What a release's time is in doubt by where the looks round it are so far apart: a tenth of that beside what arms are."""
    return float(np.hypot(RELEASE_SD_S, gap_s / 10))


def contact_sd_s(name: str, aslant: float) -> float:
    """What a contact's time is in doubt by beyond frame rate and noise, seen by a camera that stands so far aslant (`Lane.aslant`).

    With its square: what little a foot's way across adds to its way along does not cross the limit.
    """
    return float(np.hypot(CONTACT_BIAS_SD_S[name], ASLANT_SD_S * aslant**2))


def _follows(ffc: Value, br: Value) -> bool:
    return bool(br) and FFC_TO_BR_S[0] <= br.value - ffc.value <= FFC_TO_BR_S[1]


def likeliest(down: list[Contact], before_s: float, window_s: tuple[float, float], usual_s: float) -> Contact | None:
    """Of the contacts that were seen to begin within the window before a moment, the one nearest to the usual time before it."""
    fits = [c for c in down if window_s[0] <= before_s - c.on_s <= window_s[1] and np.isfinite(c.on_sd_s)]
    return min(fits, key=lambda c: abs(before_s - c.on_s - usual_s), default=None)


def _moved(down: list[Contact], contact: Contact, on: Value) -> Contact:
    """The foot was down from then on: where it seemed to stand before, it was in the air or came down."""
    down[down.index(contact)] = moved = replace(contact, on_s=on.value)
    return moved


def _as_its_fall_has_it(track: Track, lane: Lane, front: str, ffc: Value) -> Value:
    """The landing, weighed with the moment at which its foot falls no more: that is seen as well from far off side-on. A foot that was
    hidden meanwhile says nothing."""
    half, first_s, last_s = contacts.half_s(track.gap_s()), ffc.value - FALLEN_NEAR_S, ffc.value + FALLEN_NEAR_S
    places = [lane.flat(track[f"{front}_{part}"]) for part in ("heel", "ankle")]
    near = (track.t_s > first_s) & (track.t_s < last_s)
    if not np.isfinite(places)[:, near].all() or near.sum() < 2:
        return ffc
    falls = np.mean([local_line(track.t_s, place, track.t_s[near], half[near], 1)[1][:, 1] for place in places], 0)
    t, smeared = track.t_s[near], fallen_smeared(float(np.median(half[near])))
    falls_till = _last_below(t, FALLS_M_S - falls)
    if not falls_till or falls_till.value <= ffc.value:
        return ffc
    return _weighed(ffc, Value(falls_till.value - smeared * FALLEN_S, smeared * FALLEN_SD_S))


def _as_its_height_has_it(track: Track, lane: Lane, side: str, on: Value, low: Low) -> Value:
    """A landing, weighed with the moment at which its foot is low over the ground; one that was not seen coming down says nothing."""
    t, parts = track.t_s, [lane.flat(track[f"{side}_{part}"])[:, 1] for part in ("heel", "toe", "ankle")]
    up = local_line(t, np.mean(parts, 0), t, contacts.half_s(track.gap_s()), 1)[0]
    stands = up[(t > on.value) & (t < on.value + low.stands_s) & np.isfinite(up)]
    if len(stands) < 3:
        return on
    near = (t > on.value + LOW_FROM_S) & (t < on.value + LOW_TO_S) & np.isfinite(up)
    comes = _last_below(t[near], up[near] - np.percentile(stands, STANDS_SHARE) - low.over_m)
    if not comes:
        return on
    landed_s, doubt_s = comes.value + low.after_s, float(np.hypot(low.sd_s, comes.sd))
    late = (landed_s - on.value) / HANGS_S
    if abs(late) > 1 and not low.hangs:                  # a foot that is seen to stop stopped there: another rise and fall
        return on
    return _weighed(Value(on.value, on.sd * max(1.0, late) ** 2), Value(landed_s, doubt_s))


def _doubted_where_it_jumps(track: Track, lane: Lane, side: str, on: Value, run_up_m_s: float) -> Value:
    """A landing, with the more doubt where its foot moves from a look to the next, round it, as no foot does."""
    near = track.between(on.value + JUMP_FROM_S, on.value + JUMP_TO_S)
    places = np.array([lane.flat(near[f"{side}_{part}"]) for part in ("heel", "toe", "ankle")])
    speeds = np.linalg.norm(np.diff(places, axis=1), axis=-1) / np.diff(near.t_s)
    jumps = (np.median(speeds, axis=0) > JUMPS * run_up_m_s).any()
    return replace(on, sd=float(np.hypot(on.sd, JUMP_SD_S))) if jumps else on


def _last_below(t_s: np.ndarray, y: np.ndarray) -> Value:
    """When y (T,) last came down to 0, between two looks, s."""
    down = np.flatnonzero((y[:-1] > 0) & (y[1:] <= 0))
    if not len(down):
        return Value.missing("not seen to come down")
    i, step = down[-1], np.diff(t_s)[down[-1]]
    return Value(float(t_s[i] + step * y[i] / (y[i] - y[i + 1])), float(contacts.EDGE_SHARE * step))


def fallen_smeared(half_s: float) -> float:
    """How much later than usual, and less surely, a fall is seen to end by speeds that are taken over so long."""
    return max(1.0, half_s / FALLEN_HALF_S)


def _weighed(one: Value, other: Value) -> Value:
    share = one.sd**2 / (one.sd**2 + other.sd**2)
    return Value(one.value + share * (other.value - one.value), float(one.sd * np.sqrt(1 - share)))


def _as_the_knee_has_it(track: Track, lane: Lane, front: str, ffc: Value) -> Value:
    """The landing, weighed with the moment at which the knee, which straightened as the leg came in, begins to give way.

    That moment says little where the foot is well seen, and much where it seems to stand before it does.
    """
    angle = joints.signed_deg(*joints.leg(lane, front, *(track[f"{front}_{joint}"] for joint in joints.JOINTS)))
    u = track.t_s - ffc.value
    near = (np.abs(u) < KNEE_NEAR_S) & np.isfinite(angle)
    if near.sum() < 5:
        return ffc
    fits = []
    for turn_s in TURNS_S:                                # two lines that meet there
        lines = np.stack([np.ones(near.sum()), np.minimum(u[near] - turn_s, 0.0), np.maximum(u[near] - turn_s, 0.0)], 1)
        c = np.linalg.lstsq(lines, angle[near], rcond=None)[0]
        fits.append((((angle[near] - lines @ c) ** 2).sum(), c[1], c[2]))
    misfit, comes, goes = np.array(fits).T
    best = int(misfit.argmin())
    if comes[best] < STRAIGHTENS_DEG_S or goes[best] >= 0.0:
        return ffc
    likely = np.exp(-(misfit - misfit[best]) / (2 * KNEE_LOOK_DEG**2))
    turn_s = float((likely * TURNS_S).sum() / likely.sum())
    doubt = float((likely * (TURNS_S - turn_s) ** 2).sum() / likely.sum()) + TURN_SD_S**2
    return _weighed(ffc, Value(ffc.value + turn_s, float(np.sqrt(doubt))))


def release(track: Track, lane: Lane, arm: str, near_s: float) -> Value:
    """When the bowling arm passes RELEASE_ARM_DEG, from a line through its angles while it is over the top."""
    swing = track.between(near_s - 0.08, near_s + 0.09)
    angle = arm_angle_deg(swing, lane, arm)
    use = np.isfinite(angle) & (angle > -75) & (angle < 85)
    if use.sum() < 2:
        return Value.missing("bowling arm not seen over the top")
    t, a = swing.t_s[use] - near_s, angle[use]
    first, last = np.triu_indices(len(t), 1)
    slope = float(np.median((a[last] - a[first]) / (t[last] - t[first])))      # the middle one of all pairs: slips do not count
    base = float(np.median(a - slope * t))
    if slope < 200:
        return Value.missing("bowling arm not seen over the top")
    stray_s = most_sd(a - slope * t) / slope / np.sqrt(len(t))    # of looks that do not agree on one line
    return Value(float(near_s + (RELEASE_ARM_DEG - base) / slope), max(release_sd_s(swing.period_s()), stray_s))
