"""Track: the poses of one person in time, as arrays; whose they are, which side is which, what is an outlier, and smoothing.

Time is the first axis; seconds on the stamps' own axis; pixels as in `pose`. Unseen is NaN and stays NaN: nothing is filled
in. Smoothing is by local polynomials, centred, so that nothing lags. This room knows no ground and no cricket.
"""
from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Iterable

import numpy as np

from creaseside.pose import INDEX, MIRROR, NAMES, SIDES, Pose

LEGS = np.array([INDEX[n] for n in NAMES if n.endswith(("hip", "knee", "ankle", "heel", "toe"))])
ARMS = np.array([INDEX[n] for n in NAMES if n.endswith(("elbow", "wrist", "pinky", "index", "thumb"))])

STRANGER_HEIGHTS = 0.35   # no runner's middle moves a third of their height between two looks 33 ms apart (10 m/s is 0.19)
KEEP_LABEL = 0.012        # body heights; what a frame must gain before the model's own left and right are doubted
KEEP_LABEL_FAR, FAR_S = 0.03, 0.036  # between looks farther apart than 30 a second legs pass each other, so that their ways tell less
UNSEEN_WAY = 0.1          # of a joint that is not seen: were it nothing, a leg behind a pole would take over the other one's name
OUTLIER_HEIGHTS = 0.05    # a landmark this far off its neighbours' line is a slip: 9 cm on an adult; their noise is 1 cm
OUTLIER_SPAN_S = 0.035    # neighbours: two frames either side at 60 fps
HIPS_HEIGHTS = 0.05       # how far off their own way the hips lie beside one another where one of them slipped: of 763 looks round 79 drawn landings
                          # half were 0.004 off and six 0.05; three of these in a row had both hips in one place, the front knee 23 degrees off
HIPS_SPAN_S, HIPS_USUAL, HIPS_FEWEST = 0.15, 0.004, 5   # so long a pelvis turns as a parabola does round a landing


@dataclass(frozen=True, slots=True)
class Track:
    """t_s (T,); frame (T,); xy_px (T, 33, 2); world_m (T, 33, 3); sole_px (T, 2, 2), by SIDES; strictly rising in time."""

    t_s: np.ndarray
    frame: np.ndarray
    xy_px: np.ndarray
    world_m: np.ndarray
    sole_px: np.ndarray

    def __post_init__(self) -> None:
        for array in (self.t_s, self.frame, self.xy_px, self.world_m, self.sole_px):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.t_s)

    def __getitem__(self, name: str) -> np.ndarray:
        """One landmark through time: (T, 2) pixels."""
        return self.xy_px[:, INDEX[name]]

    def sole(self, side: str) -> np.ndarray:
        """The lower edge of a foot through time: (T, 2) pixels."""
        return self.sole_px[:, SIDES.index(side)]

    def middle(self, joint: str) -> np.ndarray:
        """Half-way between the left and the right `joint`: (T, 2) pixels."""
        return (self["left_" + joint] + self["right_" + joint]) / 2

    def where(self, keep: np.ndarray) -> Track:
        return Track(self.t_s[keep], self.frame[keep], self.xy_px[keep], self.world_m[keep], self.sole_px[keep])

    def between(self, first_s: float, last_s: float) -> Track:
        return self.where((self.t_s >= first_s) & (self.t_s <= last_s))

    def crossed(self, looks: np.ndarray | list[int], limbs: np.ndarray) -> Track:
        """The same track, left and right of `limbs` (LEGS or ARMS) exchanged in those looks (numbers). Soles go with the legs."""
        xy, world, sole = self.xy_px.copy(), self.world_m.copy(), self.sole_px.copy()
        xy[np.ix_(looks, limbs)] = self.xy_px[np.ix_(looks, MIRROR[limbs])]
        world[np.ix_(looks, limbs)] = self.world_m[np.ix_(looks, MIRROR[limbs])]
        if limbs is LEGS:
            sole[looks] = self.sole_px[looks, ::-1]
        return replace(self, xy_px=xy, world_m=world, sole_px=sole)

    def period_s(self) -> float:
        """The usual time from one look to the next; NaN for fewer than two."""
        return float(np.median(np.diff(self.t_s))) if len(self) > 1 else float("nan")

    def gap_s(self) -> np.ndarray:
        """At each look, the longer of the times to its neighbours, (T,): looks are not evenly spread. NaN for fewer than two."""
        if len(self) < 2:
            return np.full(len(self), np.nan)
        step = np.diff(self.t_s)
        return np.maximum(np.append(step, step[-1]), np.insert(step, 0, step[0]))


def of(poses: Iterable[Pose]) -> Track:
    """The poses in order of time; of two of the same frame the later given counts; looks that saw nobody are left out."""
    by_frame = {p.stamp.frame: p for p in poses if p.missing is None}
    kept = sorted(by_frame.values(), key=lambda p: p.stamp.t_ns)
    kept = [p for i, p in enumerate(kept) if i == 0 or p.stamp.t_ns > kept[i - 1].stamp.t_ns]
    n = len(NAMES)
    return Track(np.array([p.stamp.t_s for p in kept], float), np.array([p.stamp.frame for p in kept], int),
                 np.array([p.xy_px for p in kept], float).reshape(-1, n, 2),
                 np.array([p.world_m for p in kept], float).reshape(-1, n, 3),
                 np.array([p.sole_px for p in kept], float).reshape(-1, len(SIDES), 2))


def height_px(track: Track) -> float:
    """How tall the person stands in the picture, pixels: hip to knee to ankle and the trunk, as a share of the stature.

    The share is 0.79 (hip-ankle 0.49 and hip-shoulder 0.30 of the stature: Drillis & Contini 1966, from memory). The 80th
    percentile over time, since limbs that point at the camera look short.
    """
    length = lengths_px(track)
    return float(np.nanpercentile(length, 80)) if np.isfinite(length).any() else float("nan")


def most_sd(y: np.ndarray) -> float:
    """The sd of most of them (N,), whatever the others do: from the median distance to their median, as of a normal law."""
    return 1.4826 * float(np.median(np.abs(y - np.median(y))))


def lengths_px(track: Track) -> np.ndarray:
    """As tall as the limbs of each look make the person, (T,) pixels: less than they are, where these point at the camera."""
    thigh = np.linalg.norm(track["left_hip"] - track["left_knee"], axis=1), np.linalg.norm(track["right_hip"] - track["right_knee"], axis=1)
    shank = np.linalg.norm(track["left_knee"] - track["left_ankle"], axis=1), np.linalg.norm(track["right_knee"] - track["right_ankle"], axis=1)
    trunk = np.linalg.norm(track.middle("hip") - track.middle("shoulder"), axis=1)
    return (np.maximum(*thigh) + np.maximum(*shank) + trunk) / 0.79


def cleaned(track: Track) -> Track:
    """One person's track: strangers' looks dropped, swapped sides put right, slips made NaN."""
    if len(track) < 3:
        return track
    track = _one_person(track)
    tall = height_px(track)                              # the same whichever side is which
    for limbs in (LEGS, ARMS):
        track = _sides(track, limbs, tall)
    return _without_slips(track, tall)


def _one_person(track: Track) -> Track:
    """The longest run of looks through which the middle moves as one person can; shorter runs that jump away are dropped."""
    tall = height_px(track)
    middle = (track.middle("hip") + track.middle("shoulder")) / 2
    step = np.linalg.norm(np.diff(middle, axis=0), axis=1)
    jumps = step > tall * STRANGER_HEIGHTS * np.maximum(np.diff(track.t_s) / 0.033, 1.0)
    run = np.concatenate([[0], np.cumsum(jumps)])
    if run[-1] == 0:
        return track
    longest = np.bincount(run).argmax()
    keep = run == longest
    for other in np.argsort(-np.bincount(run)):            # runs that go on where the longest leaves off are the same person
        if other != longest and _joins(track.t_s, middle, tall, keep, run == other):
            keep |= run == other
    return track.where(keep)


def _joins(t_s: np.ndarray, middle: np.ndarray, tall: float, kept: np.ndarray, other: np.ndarray) -> bool:
    """Whether the run `other` lies on the straight way through the nearest kept looks."""
    here = np.flatnonzero(other)
    known = np.flatnonzero(kept)
    before, after = known[known < here[0]], known[known > here[-1]]
    for edge, side in ((here[0], before[-4:]), (here[-1], after[:4])):
        if len(side) >= 2 and np.ptp(t_s[side]) > 0:
            line = np.polynomial.polynomial.polyfit(t_s[side], middle[side], 1)
            off = np.linalg.norm(line[0] + line[1] * t_s[edge] - middle[edge])
            if off > tall * STRANGER_HEIGHTS:
                return False
    return True


def _sides(track: Track, limbs: np.ndarray, tall: float) -> Track:
    """Left and right of `limbs` by continuity: the cheapest path through the two labellings of every look.

    Moving costs its way, in body heights, against where the limb was heading; leaving the model's own labels costs KEEP_LABEL a look.
    """
    plain = track.xy_px[:, limbs] / tall
    crossed = track.xy_px[:, MIRROR[limbs]] / tall
    both = np.stack([plain, crossed], 1)                                     # (T, 2, joints, 2)
    step = np.abs(both[1:, None] - both[:-1, :, None])                       # (T-1, from, to, joints, 2)
    way = np.nan_to_num(np.minimum(np.hypot(step[..., 0], step[..., 1]), 0.2), nan=UNSEEN_WAY).mean(-1)
    return track.crossed(_cheapest(way.tolist(), np.diff(track.t_s).tolist()), limbs)


def _cheapest(way: list[list[list[float]]], gap_s: list[float]) -> list[int]:
    """The looks whose labels are crossed on the cheapest path, from what each step costs, [look][from][to], and takes.

    In plain numbers: a live track goes through here forty times a second, and arrays of two are slow.
    """
    plain, crossed = 0.0, KEEP_LABEL
    came: list[tuple[bool, bool]] = []            # whether the look before was crossed, where this one is not and where it is
    for ((pp, pc), (cp, cc)), gap in zip(way, gap_s):
        came.append((crossed + cp < plain + pp, crossed + cc < plain + pc))
        plain, crossed = min(plain + pp, crossed + cp), min(plain + pc, crossed + cc)
        crossed += KEEP_LABEL_FAR if gap > FAR_S else KEEP_LABEL * min(1.0, 30 * gap)
    state, crosses = crossed < plain, []
    for i in range(len(came), -1, -1):
        if state:
            crosses.append(i)
        if i:
            state = came[i - 1][state]
    return crosses


def _without_slips(track: Track, tall: float) -> Track:
    """Landmarks far from the line through their neighbours in time become NaN."""
    t, far_px = track.t_s, OUTLIER_HEIGHTS * tall
    spans = np.maximum(OUTLIER_SPAN_S, 2.2 * track.gap_s())
    near = np.abs(t[:, None] - t) <= spans[:, None]
    at = np.arange(len(t))
    before, after = at - near.argmax(1), near[:, ::-1].argmax(1)             # how many, the first of them and the last
    after = len(t) - 1 - after - at
    xy = track.xy_px.copy()
    for sizes in {*zip(before, after)}:
        if min(sizes) < 1 or sum(sizes) < 3:
            continue
        here = at[(before == sizes[0]) & (after == sizes[1])]
        xy[here] = _as_neighbours(track, here, *sizes, far_px)
    return replace(track, xy_px=xy)


def _as_neighbours(track: Track, here: np.ndarray, before: int, after: int, far_px: float) -> np.ndarray:
    """The looks `here` (N, 33, 2), with NaN for landmarks far from the line between the medians of so many looks before and after."""
    earlier, later = here[:, None] - np.arange(before, 0, -1), here[:, None] + np.arange(1, after + 1)
    xy, t = track.xy_px, track.t_s
    a, b = np.median(xy[earlier], 1), np.median(xy[later], 1)
    ta, tb = t[earlier].mean(1), t[later].mean(1)
    line = a + (b - a) * ((t[here] - ta) / (tb - ta))[:, None, None]
    agree = np.linalg.norm(b - a, axis=-1)                                   # fast limbs bend: allow for their way
    off = np.linalg.norm(xy[here] - line, axis=-1) > far_px + 0.5 * agree
    off[:, ARMS] = False                                                     # an arm over the top turns faster than looks can follow
    return np.where(off[..., None], np.nan, xy[here])


def hips_slipped(track: Track, looks: np.ndarray) -> np.ndarray:
    """In which of these looks (N,), numbers, the hips lie elsewhere beside one another than in those round them, (N,).

    A few such looks in a row agree with their neighbours, so the way is a parabola through many, for which slips hardly count.
    """
    apart = (track["left_hip"] - track["right_hip"]) / height_px(track)
    u = (track.t_s[looks, None] - track.t_s) / HIPS_SPAN_S                            # (N, looks round it)
    near = (np.abs(u) <= 1.0) & np.isfinite(apart).all(1)
    powers, y, weight = u[..., None] ** np.arange(3), np.nan_to_num(apart), near.astype(float)
    for _ in range(10):
        weighted = (powers * weight[..., None]).transpose(0, 2, 1)                    # (N, 3, looks)
        way = np.linalg.solve(weighted @ powers + 1e-9 * np.eye(3), weighted @ y)     # (N, 3, 2)
        off = np.linalg.norm(y - powers @ way, axis=-1)
        weight = near / np.maximum(1.0, off / HIPS_USUAL)
    return (off[np.arange(len(looks)), looks] > HIPS_HEIGHTS) & (near.sum(1) > HIPS_FEWEST)


def local_line(t_s: np.ndarray, y: np.ndarray, at_s: np.ndarray, half_s: float | np.ndarray, degree: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """Value and slope at `at_s` of polynomials fitted to the samples within `half_s` either side, weighted to the middle.

    y (T, D) or (T,); at_s (N,); half_s one for all or (N,) -> value and slope (N, D) or (N,). Fewer samples than degree + 1 give NaN. Zero lag.
    """
    flat = y.reshape(len(t_s), -1)
    at_s = np.atleast_1d(at_s)
    half = np.broadcast_to(half_s, at_s.shape)[:, None]
    u = (t_s - at_s[:, None]) / half
    near = np.abs(u) <= 1.001
    powers = np.where(near, 1.0 - 0.9 * np.abs(u) ** 3, 0.0)[:, None] * u[:, None] ** np.arange(2 * degree + 1)[:, None]    # (N, 2 degree + 1, T)
    seen = np.isfinite(flat)
    left = (powers @ seen)[:, np.add.outer(np.arange(degree + 1), np.arange(degree + 1))].transpose(0, 3, 1, 2)    # (N, D, degree + 1, degree + 1)
    right = (powers[:, :degree + 1] @ np.where(seen, flat, 0.0)).transpose(0, 2, 1)
    ok = near.astype(float) @ seen > degree
    value = np.full(ok.shape, np.nan)
    slope = value.copy()
    c = np.linalg.solve(left[ok], right[ok][..., None])[..., 0]
    value[ok], slope[ok] = c[:, 0], c[:, 1] / np.broadcast_to(half, ok.shape)[ok]
    shape = (len(at_s),) + y.shape[1:]
    return value.reshape(shape), slope.reshape(shape)
