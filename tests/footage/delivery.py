"""One delivery to be filmed: how it is bowled, by whom, and from where it is seen. Numbers only; nothing is drawn here.

The field names are those of the truth file's `params`, so that a delivery can be filmed again from its truth.
Angles of the run-up are given as for a right-armer; a left-armer is the mirror image.
"""
from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Delivery:
    out: str                                    # path without suffix: .mp4, .json and .marks.toml are written
    body: str = "adult"                         # one of bodies/*.npz
    kit: str = "a"                              # clothes, one of kit.KITS
    arm: str = "R"
    # how it is bowled
    knee: float = 172.0                         # front knee at front foot contact, deg, 180 straight
    knee_br: float | None = None                # front knee at release, deg; None: see knee_release
    knee_dip: float = 6.0                       # extra bend half-way between the two, deg
    approach: float = 0.0                       # heading of the run-up, deg, + towards the bowler's left
    final: float = 0.0                          # heading from back foot contact on, deg
    turn: tuple[float, float] = (-1.1, -0.30)   # the heading changes between these times, s
    speed: float = 5.5                          # m/s
    stride: float = 1.40                        # back ankle to front ankle along the heading, m
    ffy: float = 0.45                           # front ankle to the left of the middle stump, m
    t_bfc: float = -0.18                        # s
    t_br: float = 0.11                          # s
    # from where it is seen
    side: str = "right"                         # the camera stands on the bowler's right (-y) or left (+y)
    yaw: float = 0.0                            # deg off side-on, + nearer to the batter, looking back at the bowler
    dist: float = 7.0                           # m
    height: float = 1.5                         # m
    hfov: float = 70.0                          # deg
    tx: float = -1.2                            # the place along the pitch that the camera points at, m
    size: tuple[int, int] = (1280, 720)         # px
    # how it is filmed
    fps: float = 120.0
    t0: float = -1.6                            # s, front foot contact is 0
    t1: float = 1.4
    phase: float = 0.37                         # frame-time offset, frames
    exposure: float = 0.002                     # s; used only with blur > 1
    blur: int = 1                               # subframes averaged over the exposure
    noise: float = 3.0                          # grain, grey levels at mid grey
    crf: int = 18
    near_net: bool = False                      # a net between camera and bowler
    bystander: bool = False                     # someone else jogs past behind the lane
    no_stumps: bool = False
    seed: int = 1

    @property
    def knee_release(self) -> float:
        """A bent leg gives way, a straight one hardly."""
        return self.knee - (4 if self.knee > 165 else 12) if self.knee_br is None else self.knee_br

    @property
    def front(self) -> str:
        """The side of the front leg."""
        return "L" if self.arm == "R" else "R"
