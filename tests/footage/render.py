"""Films one delivery: python -m tests.footage.render --out DIR/NAME [--knee 160 --arm L --side left ...].

Writes NAME.mp4, NAME.json (what is true of it) and NAME.marks.toml (the marks as a hand would place them).
"""
from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import get_args, get_type_hints

import cv2
import numpy as np

from tests.footage import truth
from tests.footage.bowler import Bowler, Mesh
from tests.footage.camera import Camera
from tests.footage.delivery import Delivery
from tests.footage.film import Film, Grain
from tests.footage.net import Net

PASSING_M_S, PASSING_FROM_S, PASSING_RATE = 3.0, -2.1, 0.4        # someone jogs past at less than half speed
PASSING_X_M, PASSING_Y_M = 3.0, 3.0


class Shooting:
    """A delivery in front of its camera; shot(t) is the picture at a time."""

    def __init__(self, d: Delivery) -> None:
        self.d, self.camera, self.bowler = d, Camera.of(d), Bowler(d)
        self.net = Net(self.camera, d.seed, d.near_net, not d.no_stumps)
        self.grain = Grain(d.size, d.noise, d.seed)
        passer = Delivery(out="", body=d.body, speed=PASSING_M_S, kit="b" if d.kit == "a" else "a")
        self._passer = Bowler(passer) if d.bystander else None

    def shot(self, t: float) -> np.ndarray:
        n = self.d.blur
        times = [t] if n <= 1 else t + ((np.arange(n) + .5) / n - .5) * self.d.exposure
        behind = self.net.frame([self._passing(q) for q in times], through_net=False) if self._passer else None
        return self.grain.over(self.net.frame([self.bowler.mesh(q) for q in times], behind))

    def _passing(self, t: float) -> Mesh:
        m = self._passer.mesh(PASSING_FROM_S + PASSING_RATE * (t - self.d.t0))
        aside = PASSING_Y_M if self.camera.away > 0 else -PASSING_Y_M - 2 * self._passer.d.ffy
        return Mesh(m.V + np.array([PASSING_X_M, aside, 0]), m.F, m.C)


def film(d: Delivery, folder: Path) -> dict:
    """Clip, truth and marks into the folder; the marks come last, so that where they are the rest is whole."""
    shooting = Shooting(d)
    try:
        with Film(folder / f"{d.out}.mp4", d.size, d.fps, d.crf) as reel:
            for t in truth.frame_times(d):
                reel.put(shooting.shot(t))
    finally:
        shooting.net.close()
    return truth.write(d, folder)


def stills(d: Delivery, folder: Path, times: list[float]) -> None:
    shooting = Shooting(d)
    for t in times:
        cv2.imwrite(str(folder / f"{d.out}_{t:+.3f}.png"), shooting.shot(t)[..., ::-1])
    shooting.net.close()


def _parser() -> argparse.ArgumentParser:
    """An option for every field of a Delivery."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    hints = get_type_hints(Delivery)
    for f in dataclasses.fields(Delivery):
        option, kind = "--" + f.name.replace("_", "-"), hints[f.name]
        if f.name == "out":
            p.add_argument(option, required=True, type=Path)
        elif kind is bool:
            p.add_argument(option, action="store_true")
        elif isinstance(f.default, tuple):
            p.add_argument(option, nargs=2, type=type(f.default[0]), default=f.default)
        else:
            p.add_argument(option, type=next(iter(get_args(kind)), kind), default=f.default)      # float | None: float
    p.add_argument("--still", type=float, nargs="+", help="only pictures at these times, s from front foot contact")
    p.add_argument("--truth-only", action="store_true", help="no pictures: only the truth and the marks")
    return p


def main(argv: list[str] | None = None) -> None:
    asked = vars(_parser().parse_args(argv))
    still, truth_only, out = asked.pop("still"), asked.pop("truth_only"), asked.pop("out")
    d = Delivery(out=out.name, **asked | {"turn": tuple(asked["turn"]), "size": tuple(asked["size"])})
    out.parent.mkdir(parents=True, exist_ok=True)
    if still:
        return stills(d, out.parent, still)
    doc = truth.write(d, out.parent) if truth_only else film(d, out.parent)
    events = ", ".join(f"{k} frame {e['frame']:.2f} knee {e['front_knee_deg']:.1f}" for k, e in doc["events"].items())
    print(f"{out}: {doc['n']} frames, {events}")


if __name__ == "__main__":
    main()
