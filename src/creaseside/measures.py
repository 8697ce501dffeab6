"""Measures: one function a measure, from the close track of one ball to a value with its sd, or the reason why there is none.

Angles of a leg are read in the upright running plane through its foot. A value's sd holds landmark noise, the moment's own
doubt times how fast the value changes, and what one camera cannot see. Shoulder and hip lines, side-bend and the elbow are
not measured from one side camera.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Callable

import numpy as np

from creaseside import front_leg, joints, opinion, phases, swing
from creaseside import steps as foot_steps
from creaseside.ball import Value
from creaseside.joints import signed_deg
from creaseside.lane import Lane
from creaseside.phases import Phases
from creaseside.pose import LEFTWARDS
from creaseside.steps import Step
from creaseside.track import Track, height_px, local_line

NO_MARKS = "no marks: the camera's place is not known"

# How far the hip is to its own side of the plane through its ankle: the front leg is `front_leg`'s business, and what stays in doubt of
# its knee a share of its limb. The back foot lands across, beyond the middle of the body, its toes and so its bent knee turned out.
FRONT_OUT_SD = 0.03                          # of a thigh, what drawn knees seen from far off side-on stray by beyond those seen square
BACK_OUT_M, BACK_OUT_SD_M = (-0.10, 0.05), 0.06      # (rendered; foot turned 45 to 60 degrees)
KNEE_AFTER_S = 0.050                         # the knee at a contact is read from the looks after it: before, it moves at up to 1200 deg/s
UNPLACED_SD_DEG = 4.0                        # a camera up to 30 degrees off side-on shows another angle than the plane's: 0.6 to 4.3 (rendered)
KNEE_NOISE_DEG = 1.5                         # one look's knee, heavy model, 250 px figure (measured on rendered bowlers: 1.2 to 2)
# From landing to release the model reads a knee less well (240 rendered balls; published: 5 degrees): near legs, far ones; of a thigh out of
# the plane at release.
LATE_KNEE_SD_DEG, BR_KNEE_SD_DEG, BR_OUT_SD = {True: 2.9, False: 4.1}, {True: 2.6, False: 4.2}, 0.178
# What a leg does after a landing, as a parabola in time: gives way by 10 degrees in 70 ms, within as much (published: 0 to 40
# degrees until release). The looks say more than this, but for the three that there are at 60 frames a second.
GIVES_DEG, GIVES_S, GIVES_USUAL = 10.0, 0.07, np.array([-1.0, 1.0])      # the last: slope and bend, each in its sd
HOLDS_USUAL, HOLDS_FROM_S, HOLDS_TO_S = np.zeros(2), -0.015, 0.060   # a back leg comes in slowly, since its foot is drawn back, and need not give
                                             # way: looks before its landing tell of it as well (rendered: 38 balls: 5.8 degrees off without, 4.4 so)
GIVES = np.array([[0.0, GIVES_S / (2 * GIVES_DEG), 0.0], [0.0, 0.0, GIVES_S**2 / GIVES_DEG]])
ROUGH_S = 0.15                               # after a contact: three looks say too little of their own noise, these are nine at 60 a second
LANDING_SEEN_S = 0.02                        # either side of a contact, the leg must have been seen in half of the looks
KNEE_LOOK_DEG = 2.0                          # a look this far off the parabola is a slip in part
# Of a near leg and a far one: the share of what the looks at a landing state that is the knee's own, how far joints stray from the body's
# for a whole ball, and on a figure so tall: a pixel of each joint (239 rendered balls: near legs 2.3 degrees RMSE, far ones 3.1).
KNEE_LOOKS, KNEE_BODY_SD_DEG = {True: 0.7, False: 1.0}, {True: 1.4, False: 0.7}
KNEE_FIGURE_SD_DEG, FIGURE_PX = {True: 1.1, False: 2.0}, 250.0
BACK_KNEE_SD_DEG = 4.65                      # the turned leg, often the far one, is read less well (rendered)
SIDE_BEND_M, SIDE_BEND_SD_M = 0.20, 0.06     # by release the shoulders are this far aside: half a metre of trunk, bent 24 degrees (rendered;
                                             # published side-bend of the thorax 40 to 50 degrees, of which the hips take a part)
OFF_SWING_DEG, SWING_S = 60.0, 0.05          # from the line of its swing: the arm of a bowler who delays it is 30 off, the other arm 90 (rendered)
SWING_SHARE = 0.7                            # of the looks round release, where fewer agree the arms are mixed up (three of 160 drawn balls, one 134 off)
ARM_SEEN_S = 0.035                           # either side of the landing, as many must have its arm
ARM_SD_DEG = 5.0                             # of the upper arm at the landing, from the model's shoulder to its elbow (rendered)
ELBOW_OUT_M = 0.10                           # the bowling elbow at the landing, out of the plane of its shoulder (rendered)
TRUNK_SD_DEG, TRUNK_SD_DEG_S = 1.45, 45.0     # at the landing (rendered); and for each second between looks, since a line is laid through two of them
SPEED_SD, SPEED_ASLANT_SD = 0.0145, 0.038     # of the run-up's speed, seen square on, and 45 degrees off (rendered)
KEPT_SD, BOUND_SD_M = 0.041, 0.0095          # of a share of that speed, of the hips' rise (rendered)
TRUNK_M, TRUNK_BR_SD_DEG = 0.50, 2.0         # beside a raised arm the shoulder's landmark wanders (rendered)
THIGH_M = 0.42                               # an adult's; a junior's is a sixth shorter
BEHIND_SHARE = 0.15                          # of the stature: legs whose knees are nearer than this cover each other (a thigh is as wide)
HIDDEN_SD_DEG = 3.0                          # a far leg behind the near one (rendered: 8 such balls, 4.1 degrees RMSE, 7.5 at most)
LIGHT_EXTRA_DEG = 6.0                        # what the light model adds to it: 7 to 10 against 2 to 3 degrees RMSE
ACROSS = 0.58                                # tan 30 degrees: run-ups come at 0 to 20 (common practice)
STRIDE_SD_M, STRIDE_SD_SHARE = 0.007, 0.006  # landmarks of two feet, and the scale of the marks (rendered)
STRIDE_ONWARD_M_S = 0.35                     # an ankle goes on over its foot: for each second between the looks that see it land (puppets at 25 a second)


@dataclass(frozen=True)
class Seen:
    """What the measures are taken from: the close track, the lane, the phases, the steps on the ground (None without marks), the live
    track that the ball was found in, and the second model's looks where there are any; and the knees in them, read once."""

    track: Track
    lane: Lane
    phases: Phases
    run_up: list[Step]
    back: Step | None
    front: Step | None
    heavy: bool
    live: Track
    second: Track | None = None

    @cached_property
    def front_knee(self) -> front_leg.Knee:
        """At every look."""
        return front_leg.knee(self.track, self.live, self.second, self._through(self.front), self.phases)

    @cached_property
    def back_knee_deg(self) -> np.ndarray:
        """Signed, at every look, (T,) degrees, in the running plane through the back foot."""
        side, lane = self.phases.back, self._through(self.back)
        marks = [self.track[f"{side}_{joint}"] for joint in joints.JOINTS]
        return signed_deg(*(lane.flat(xy, LEFTWARDS[side] * out) for xy, out in zip(marks, (*BACK_OUT_M, 0.0))))

    def _through(self, step: Step | None) -> Lane:
        return self.lane.through(step.ground_m, 0.0) if step else self.lane


def closely(close: Track, lane: Lane, arm: str, front: str, release_s: float, run_up_m_s: float, heavy: bool,
            live: Track | None = None, second: Track | None = None) -> Seen:
    """A ball's close looks, from about when it was released: its phases, its feet on the ground. Without live looks the close ones
    stand for them."""
    return see(close, lane, phases.of(close, lane, arm, front, release_s, run_up_m_s), heavy, live, second)


def see(track: Track, lane: Lane, when: Phases, heavy: bool, live: Track | None = None, second: Track | None = None) -> Seen:
    """Puts the feet on the ground: the steps of the run-up, of the back foot and of the front foot."""
    def step(side: str, kind: str) -> Step | None:
        landing = when.landings.get(side)
        return foot_steps.of(track, lane, landing, kind) if landing else None

    back, front = step(when.back, foot_steps.BACK), step(when.front, foot_steps.FRONT)
    before = foot_steps.last_two(when.contacts, when.front, when.bfc.value) if when.bfc else []
    run_up = [s for c in before if (s := foot_steps.of(track, lane, c)) is not None and _same_lane(s, back)]
    *run_up, back, front = foot_steps.compared([*run_up, back, front])
    return Seen(track, lane, when, run_up, back, front, heavy, live or track, second)


def _same_lane(step: Step, back: Step | None) -> bool:
    """Whether one bowler can have put down both feet: nobody runs at more than 30 degrees across; a stranger behind the lane does."""
    if back is None:
        return False
    d = np.abs(back.ground_m - step.ground_m)
    return bool(d[1] < 0.3 + ACROSS * d[0])


# --- the legs -----------------------------------------------------------------------------------------------------------

def _at_contact(seen: Seen, angle: np.ndarray, on: Value, first_s: float = 0.0, last_s: float = KNEE_AFTER_S, usual: np.ndarray = GIVES_USUAL) -> Value:
    """The angle at a contact, from the looks round it, a front leg's just after it: a parabola through them and through what legs do.

    Three looks at 60 frames a second make a line or a parabola of their own too much of what is noise.
    """
    u = seen.track.t_s - on.value
    near = (u >= first_s) & (u < last_s) & np.isfinite(angle)
    if near.sum() < 2:
        few = ((u >= first_s) & (u < last_s)).sum() < 2
        return Value.missing("too few frames a second to read a knee at the landing" if few else "leg not seen at the landing")
    if (unseen := np.isnan(angle[np.abs(u) < LANDING_SEEN_S])).size and unseen.mean() > 0.5:
        return Value.missing("leg hidden as it landed")   # and the moment is a guess as well
    powers, weight = np.vander(u[near], 3, increasing=True), np.ones(near.sum())
    for _ in range(8):                                    # a slip counts for as much as a small error, no more
        scaled = powers * weight[:, None] / KNEE_LOOK_DEG
        c = np.linalg.lstsq(np.vstack([scaled, GIVES]), np.append(angle[near] * weight / KNEE_LOOK_DEG, usual), rcond=None)[0]
        off = np.abs(angle[near] - powers @ c)
        weight = 1 / np.sqrt(np.maximum(1, off / KNEE_LOOK_DEG))
    spread = max(KNEE_NOISE_DEG, float(np.sqrt((off**2).sum() / max(len(off) - 2, 1))), _roughness_deg(angle[(u >= 0.0) & (u < ROUGH_S)]))
    return Value(float(c[0]), float(np.hypot(landing_noise_deg(u[near], spread / weight), c[1] * on.sd)))


def _roughness_deg(angle: np.ndarray) -> float:
    """The noise of one look, from how far looks lie off the middle of their neighbours; 0 for fewer than five of them."""
    bends = np.diff(angle, 2)
    bends = bends[np.isfinite(bends)]
    return float(1.4826 * np.median(np.abs(bends)) / np.sqrt(6)) if len(bends) >= 3 else 0.0


def landing_noise_deg(after_s: np.ndarray, look_sd_deg: float | np.ndarray) -> float:
    """What the noise of looks so long after a contact leaves of doubt in the knee at it, degrees."""
    scaled = np.vander(after_s, 3, increasing=True) / np.broadcast_to(look_sd_deg, after_s.shape)[:, None]
    return float(np.sqrt(np.linalg.inv(scaled.T @ scaled + GIVES.T @ GIVES)[0, 0]))


def _leg_sd(seen: Seen, side: str, on: Value, across_sd: float) -> float:
    """What is the same for every look of a ball: the model's joints, and joints that look shifted to a camera aslant."""
    body = body_sd_deg(height_px(seen.track), seen.lane.is_near(side))
    return float(np.linalg.norm([body, *leg_doubts(seen, side, on, across_sd).values()]))


def body_sd_deg(figure_px: float, near: bool) -> float:
    """How far a knee strays for a whole ball on a figure that stands so tall in the picture, seen square and whole."""
    return float(np.hypot(KNEE_BODY_SD_DEG[near], KNEE_FIGURE_SD_DEG[near] * FIGURE_PX / figure_px))


def leg_doubts(seen: Seen, side: str, on: Value, across_sd: float) -> dict[str, float]:
    """Why -> degrees."""
    angled = _tilted(seen, across_sd, on)
    return {"seen from too far off side-on" if seen.lane.metric else NO_MARKS: angled if seen.lane.metric else np.hypot(angled, UNPLACED_SD_DEG),
            "the other leg is before it": HIDDEN_SD_DEG if _hidden(seen, side, on) else 0.0,
            "seen by the light model only": 0.0 if seen.heavy else LIGHT_EXTRA_DEG}


def _tilted(seen: Seen, share: float, when: Value) -> float:
    """What a joint that is out of the plane by this share of its limb turns it by, as the camera sees it at that moment, degrees."""
    return float(np.degrees(share * seen.lane.aslant_at(seen.track, when.value)))


def _hidden(seen: Seen, side: str, on: Value) -> bool:
    """Whether the other leg is before this one in the picture: the model then says where it must be, not where it is seen."""
    close = seen.track.between(on.value, on.value + KNEE_AFTER_S)
    if not seen.lane.metric or not len(close):
        return False
    apart = np.linalg.norm(close["left_knee"] - close["right_knee"], axis=1) / height_px(seen.track)
    return not seen.lane.is_near(side) and np.isfinite(apart).any() and bool(np.nanmedian(apart) < BEHIND_SHARE)


def _smallest(seen: Seen, angle: np.ndarray, first_s: float, last_s: float, sd_deg: float) -> Value:
    inside = (seen.track.t_s >= first_s) & (seen.track.t_s <= last_s)
    if np.isfinite(angle[inside]).sum() < 2:
        return Value.missing("leg not seen between landing and release")
    smooth, _ = local_line(seen.track.t_s, angle, seen.track.t_s[inside], max(0.018, 1.6 * seen.track.period_s()), 1)
    return Value(float(np.nanmin(smooth)), sd_deg)


def _at(seen: Seen, angle: np.ndarray, when: Value, extra_sd: float, degree: int = 1) -> Value:
    """A smooth angle at a moment."""
    value, slope = local_line(seen.track.t_s, angle, np.array([when.value]), max(0.02, 2.1 * seen.track.period_s()), degree)
    if not np.isfinite(value[0]):
        return Value.missing("not seen at that moment")
    return Value(float(value[0]), float(np.sqrt((slope[0] * when.sd) ** 2 + extra_sd**2)))


def near(seen: Seen) -> bool:
    """Whether the front leg is on the camera's side."""
    return seen.lane.is_near(seen.phases.front)


def _front(seen: Seen, knee: Value, when: Value, out_sd: float = FRONT_OUT_SD) -> Value:
    return Value(knee.value, float(np.hypot(knee.sd, _leg_sd(seen, seen.phases.front, when, out_sd)))) if knee else knee


def front_knee_ffc_deg(seen: Seen) -> Value:
    when = seen.phases.ffc
    if not when:
        return when
    knee = _at_contact(seen, seen.front_knee.read_deg, when)
    if not knee:
        return knee
    alone = _front(seen, replace(knee, sd=KNEE_LOOKS[near(seen)] * knee.sd), when)
    return replace(alone, sd=opinion.left_sd_deg(alone.sd, seen.front_knee.apart_deg, near(seen)))


def front_knee_min_deg(seen: Seen) -> Value:
    if not (seen.phases.ffc and seen.phases.br):
        return seen.phases.br if seen.phases.ffc else seen.phases.ffc
    return _front(seen, _smallest(seen, seen.front_knee.read_deg, seen.phases.ffc.value, seen.phases.br.value, LATE_KNEE_SD_DEG[near(seen)]), seen.phases.ffc)


def front_knee_br_deg(seen: Seen) -> Value:
    when = seen.phases.br
    return _front(seen, _at(seen, seen.front_knee.read_deg, when, BR_KNEE_SD_DEG[near(seen)]), when, BR_OUT_SD) if when else when


def back_knee_bfc_deg(seen: Seen) -> Value:
    if not seen.phases.bfc:
        return seen.phases.bfc
    return _doubted(seen, _at_contact(seen, seen.back_knee_deg, seen.phases.bfc, HOLDS_FROM_S, HOLDS_TO_S, HOLDS_USUAL))


def back_knee_min_deg(seen: Seen) -> Value:
    if not (seen.phases.bfc and seen.phases.ffc):
        return seen.phases.ffc if seen.phases.bfc else seen.phases.bfc
    return _doubted(seen, _smallest(seen, seen.back_knee_deg, seen.phases.bfc.value, seen.phases.ffc.value - 0.02, KNEE_NOISE_DEG))


def _doubted(seen: Seen, knee: Value) -> Value:
    """The back leg is turned side-on and often the far one: its knee leaves the running plane, which an angled camera sees."""
    body = _leg_sd(seen, seen.phases.back, seen.phases.bfc, BACK_OUT_SD_M / THIGH_M)
    return Value(knee.value, float(np.sqrt(knee.sd**2 + BACK_KNEE_SD_DEG**2 + body**2))) if knee else knee


# --- the way over the ground --------------------------------------------------------------------------------------------

def approach_deg(seen: Seen) -> Value:
    found = _approach(seen)
    if not found:
        return found
    steps = [*seen.run_up, seen.back]
    marks = _marks_sd(seen, [s.ground_m for s in steps], lambda places: _line_deg(steps, places))
    return Value(found.value, float(np.hypot(found.sd, marks)))


def _approach(seen: Seen) -> Value:
    """The same without what the marks leave open, which takes longer than all else of it."""
    if not seen.lane.metric:
        return Value.missing(NO_MARKS)
    if seen.back is None:
        return Value.missing("back foot contact not seen")
    if not seen.run_up or seen.phases.bfc.value - seen.run_up[0].on_s < 0.4:
        return Value.missing("less than 0.4 s of the run-up in the picture")
    found, sd = foot_steps.line_deg([*seen.run_up, seen.back])
    contradicts = foot_steps.off_line(seen.run_up, seen.back) if seen.back.hidden else 1.0
    return Value(found, sd * float(np.fmax(1.0, contradicts)))     # as the Particle Data Group scales errors of what disagrees


def _line_deg(steps: list[Step], places_m: np.ndarray) -> float:
    return foot_steps.line_deg([replace(step, ground_m=place) for step, place in zip(steps, places_m)])[0]


def _marks_sd(seen: Seen, places_m: list[np.ndarray], read: Callable[[np.ndarray], float]) -> float:
    """What the marks alone leave open of a number that is read off places on the ground (N, 2): a bowler runs up four metres
    beyond the nearest mark, where a camera that a hand's marks allow sees the same pixels elsewhere."""
    pixels = seen.lane.camera.project(np.pad(places_m, ((0, 0), (0, 1))))
    off = [read(one.on_ground(pixels)[:, :2]) - read(other.on_ground(pixels)[:, :2]) for one, other in seen.lane.camera.doubted()]
    return float(np.sqrt(np.nansum(np.square(off)))) / 2


def unplaced(seen: Seen) -> str | None:
    """Why nothing is read off the places of both feet, where that is so."""
    if not seen.lane.metric:
        return NO_MARKS
    if seen.back is None or seen.front is None:
        return "a foot was not seen on the ground"
    return "a foot was hidden where it stood" if seen.back.hidden or seen.front.hidden else None


def turn_deg(seen: Seen) -> Value:
    approach = _approach(seen)
    if not approach:
        return approach
    if why := unplaced(seen):
        return Value.missing(why)
    stride = np.linalg.norm(seen.front.ankle_m - seen.back.ankle_m)
    across = np.degrees(np.hypot(seen.back.across_sd_m, seen.front.across_sd_m) / max(stride, 0.3))
    steps = [*seen.run_up, seen.back]

    def turned(places: np.ndarray) -> float:
        return float(swing.turned_deg(foot_steps.direction_deg(places[-1] - places[-2]) - _line_deg(steps, places[:-2])))
    places = [*(s.ground_m for s in steps), seen.back.ankle_m, seen.front.ankle_m]
    return Value(turned(np.array(places)), float(np.sqrt(approach.sd**2 + across**2 + _marks_sd(seen, places, turned) ** 2)))


def stride_length_m(seen: Seen) -> Value:
    if why := unplaced(seen):
        return Value.missing(why)

    def apart(places: np.ndarray) -> float:
        return float(np.linalg.norm(places[1] - places[0]))
    places = [seen.back.ankle_m, seen.front.ankle_m]
    length, marks = apart(places), _marks_sd(seen, places, apart)
    onward = (places[1] - places[0]) / max(length, 0.3)
    along = [step.across_sd_m * float(onward @ foot_steps.sight(seen.lane.camera, step.ground_m)) for step in (seen.back, seen.front)]
    return Value(length, float(np.sqrt(stride_sd_m(length, seen.track.period_s()) ** 2 + np.square(along).sum() + marks**2)))


def stride_sd_m(length_m: float, gap_s: float) -> float:
    """What is in doubt of a stride, looked at so often, beside its feet's places across and the marks."""
    return float(np.linalg.norm([STRIDE_SD_M, STRIDE_SD_SHARE * length_m, STRIDE_ONWARD_M_S * gap_s]))


def front_foot_offset_m(seen: Seen) -> Value:
    if why := unplaced(seen):
        return Value.missing(why)

    def across(places: np.ndarray) -> float:
        return float(places[1][1] - places[0][1])
    places = [seen.back.ankle_m, seen.front.ankle_m]
    marks = _marks_sd(seen, places, across)
    return Value(across(places), float(np.sqrt(seen.back.across_sd_m**2 + seen.front.across_sd_m**2 + marks**2)))


def _hip_lane(seen: Seen) -> Lane:
    """The running plane through the hips: the lane moved to where the hips are over the back foot."""
    if seen.back is None:
        return seen.lane
    approach = _approach(seen)
    hips = seen.back.ground_m + seen.back.hips_left_m * seen.lane.left[:2]
    return seen.lane.through(hips, approach.value if approach else 0.0)


def _hip_speed(seen: Seen, first_s: float, last_s: float) -> tuple[float, float]:
    """Forward speed of the mid-hip as the slope of a line, m/s, and its noise; NaN when seen too little."""
    part = seen.track.between(first_s, last_s)
    x = _hip_lane(seen).flat(part.middle("hip"))[:, 0]
    ok = np.isfinite(x)
    if ok.sum() < 4 or np.ptp(part.t_s[ok]) < 0.5 * (last_s - first_s):
        return float("nan"), float("nan")
    t = part.t_s[ok] - part.t_s[ok].mean()
    slope = float((t * x[ok]).sum() / (t * t).sum())
    return slope, float(0.012 / np.sqrt((t * t).sum()))


def run_up_speed_m_s(seen: Seen) -> Value:
    if not seen.lane.metric:
        return Value.missing(NO_MARKS)
    if not seen.phases.bfc:
        return seen.phases.bfc
    speed, noise = _hip_speed(seen, seen.phases.bfc.value - 0.15, seen.phases.bfc.value)
    if not np.isfinite(speed):
        return Value.missing("the hips were not seen before back foot contact")
    share = np.hypot(SPEED_SD, SPEED_ASLANT_SD * seen.lane.aslant_at(seen.track, seen.phases.bfc.value - 0.075))
    return Value(speed, float(np.hypot(noise, share * speed)))


def speed_kept(seen: Seen) -> Value:
    before = run_up_speed_m_s(seen)
    if not before:
        return before
    if not seen.phases.br:
        return seen.phases.br
    after, noise = _hip_speed(seen, seen.phases.br.value - 0.04, seen.phases.br.value + 0.04)
    if not np.isfinite(after):
        return Value.missing("the hips were not seen at release")
    return Value(after / before.value, float(np.hypot(noise / before.value, KEPT_SD)))


def bound_height_m(seen: Seen) -> Value:
    """Highest mid-hip between the last step's lift-off and back foot contact, above its mean in the stride before."""
    if not seen.lane.metric:
        return Value.missing(NO_MARKS)
    if not seen.phases.bfc:
        return seen.phases.bfc
    last = foot_steps.last_two(seen.phases.contacts, seen.phases.front, seen.phases.bfc.value)[-1:]
    if not last or not np.isfinite(last[0].off_s):
        return Value.missing("the step before the bound is not in the picture")
    off = last[0].off_s
    up = _hip_lane(seen).flat(seen.track.middle("hip"))[:, 1]
    t = seen.track.t_s
    flight, before = (t >= off) & (t <= seen.phases.bfc.value), (t < off) & (t > off - 0.30)
    if np.isfinite(up[flight]).sum() < 3 or np.isfinite(up[before]).sum() < 4:
        return Value.missing("the bound is not in the picture")
    return Value(float(np.nanpercentile(up[flight], 95) - np.nanmean(up[before])), BOUND_SD_M)


# --- trunk and arm ------------------------------------------------------------------------------------------------------

def _trunk_deg(seen: Seen, aside_m: float = 0.0) -> np.ndarray:
    """Mid-hip to mid-shoulder, where the shoulders are `aside_m` from above the hips, to the side of the front foot."""
    aside = LEFTWARDS[seen.phases.front] * aside_m
    d = seen.lane.flat(seen.track.middle("shoulder"), aside) - seen.lane.flat(seen.track.middle("hip"))
    return np.degrees(np.arctan2(d[:, 0], d[:, 1]))


def trunk_lean_ffc_deg(seen: Seen) -> Value:
    sd = float(np.hypot(TRUNK_SD_DEG, TRUNK_SD_DEG_S * seen.track.period_s()))
    return _at(seen, _trunk_deg(seen), seen.phases.ffc, sd) if seen.phases.ffc else seen.phases.ffc


def trunk_lean_br_deg(seen: Seen) -> Value:
    if not seen.phases.br:
        return seen.phases.br
    doubt = _tilted(seen, (SIDE_BEND_SD_M if seen.lane.metric else SIDE_BEND_M) / TRUNK_M, seen.phases.br)
    return _at(seen, _trunk_deg(seen, SIDE_BEND_M), seen.phases.br, float(np.hypot(TRUNK_BR_SD_DEG, doubt)))


def arm_delay_deg(seen: Seen) -> Value:
    """Bowling upper arm (shoulder to elbow) against the trunk line (hip to shoulder): 0 along the trunk upwards, + behind it.

    Looks whose elbow is off the line of the swing show something else; where too many are, it is not told.
    """
    when = seen.phases.ffc
    if not when:
        return when
    upper_arm, (told, agree) = _upper_arm_deg(seen), _on_swing_deg(seen)
    if not np.isfinite(told).any():
        return _at(seen, swing.turned_deg(_trunk_deg(seen) - upper_arm, 90.0), when, ARM_SD_DEG)
    if agree < SWING_SHARE:
        return Value.missing("the arms were mixed up round the release")
    off, near = swing.turned_deg(upper_arm - told), np.abs(seen.track.t_s - when.value) < ARM_SEEN_S
    on_it = np.abs(off) < OFF_SWING_DEG
    if not on_it[near].any() or on_it[near].mean() < SWING_SHARE:
        return Value.missing("the bowling arm was not told from the other one at the landing")
    found = _at(seen, np.where(on_it, _trunk_deg(seen) - told - off, np.nan), when, ARM_SD_DEG)
    return Value(found.value % 360.0, found.sd) if found else found


def _upper_arm_deg(seen: Seen) -> np.ndarray:
    """From the bowling shoulder to its elbow, (T,) degrees from straight up, + forward; the elbow is out to the bowling side."""
    t, arm = seen.track, seen.phases.arm
    d = seen.lane.flat(t[f"{arm}_elbow"], LEFTWARDS[arm] * ELBOW_OUT_M) - seen.lane.flat(t[f"{arm}_shoulder"])
    return np.degrees(np.arctan2(d[:, 0], d[:, 1]))


def _on_swing_deg(seen: Seen) -> tuple[np.ndarray, float]:
    """Where the bowling arm must have been at every look, were its swing as even before the top as it is round release, (T,);
    NaN where that was not seen. And how many of the looks round release have it there, as a share: none of what no arm does."""
    t = seen.track.t_s - (seen.phases.br.value if seen.phases.br else np.nan)
    angle = swing.arm_angle_deg(seen.track, seen.lane, seen.phases.arm)
    round_it = (np.abs(t) < SWING_S) & (np.abs(angle) < 90.0)
    if round_it.sum() < 3:
        return np.full(len(t), np.nan), 0.0
    line, seen_it = np.polyfit(t[round_it], angle[round_it], 1), (np.abs(t) < SWING_S) & np.isfinite(angle)
    told = np.polyval(line, t)
    on_it = np.abs(swing.turned_deg(angle - told))[seen_it] < OFF_SWING_DEG / 2
    return told, float(on_it.mean()) if swing.SLOWEST_DEG_S < line[0] < swing.FASTEST_DEG_S else 0.0


# --- times --------------------------------------------------------------------------------------------------------------

def _between(first: Value, last: Value) -> Value:
    if not (first and last):
        return first if not first else last
    return Value(last.value - first.value, float(np.hypot(first.sd, last.sd)))


MEASURES: dict[str, Callable[[Seen], Value]] = {
    "bfc_s": lambda seen: seen.phases.bfc,
    "ffc_s": lambda seen: seen.phases.ffc,
    "br_s": lambda seen: seen.phases.br,
    "bfc_to_ffc_s": lambda seen: _between(seen.phases.bfc, seen.phases.ffc),
    "ffc_to_br_s": lambda seen: _between(seen.phases.ffc, seen.phases.br),
    **{f.__name__: f for f in (
        front_knee_ffc_deg, front_knee_min_deg, front_knee_br_deg, approach_deg, turn_deg, run_up_speed_m_s, speed_kept, bound_height_m,
        back_knee_bfc_deg, back_knee_min_deg, stride_length_m, front_foot_offset_m, trunk_lean_ffc_deg, trunk_lean_br_deg, arm_delay_deg)},
}
