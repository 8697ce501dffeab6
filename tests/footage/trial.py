"""Films standing trials: who bowls a delivery of the grid stands tall for two seconds where their front foot would land, seen by
the same camera: python -m tests.footage.trial OUT_DIR [--part blind --seed 161803].

Writes NAME.mp4, NAME.marks.toml and NAME.stood.json: `front`, the side of the front leg, and `knee`, what it truly is in the upright
plane down the pitch, deg, 180 straight, more is bent backwards.
"""
from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.footage import grid, truth
from tests.footage.acts import Stand
from tests.footage.camera import Camera
from tests.footage.delivery import Delivery
from tests.footage.film import Film, Grain
from tests.footage.net import Net

FPS, SECONDS = 12.0, 2.25


def film(d: Delivery, folder: Path) -> float:
    """Clip, truth and marks into the folder; the knee, degrees."""
    stands, camera = Stand(d, 0.0, SECONDS), Camera.of(d)
    net, grain = Net(camera, d.seed, d.near_net, not d.no_stumps), Grain(d.size, d.noise, d.seed)
    times = np.arange(round(SECONDS * FPS)) / FPS
    try:
        with Film(folder / f"{d.out}.mp4", d.size, FPS, d.crf) as reel:
            for t in times:
                reel.put(grain.over(net.frame([stands.mesh(t)], None)))
    finally:
        net.close()
    knee = float(np.median([stands.knee_deg(t) for t in times]))
    (folder / f"{d.out}.stood.json").write_text(json.dumps({"front": d.front, "knee": round(knee, 3), "params": truth.params(d)}))
    (folder / f"{d.out}.marks.toml").write_text(truth.marks(camera, d.seed))
    return knee


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path, metavar="OUT_DIR")
    p.add_argument("--part", choices=("tune", "held", "blind"), default="tune")
    p.add_argument("--only", type=int, metavar="N", help="only the first N")
    p.add_argument("--seed", type=int, help="another draw than the usual one")
    asked = p.parse_args(argv)
    asked.folder.mkdir(parents=True, exist_ok=True)
    for d in grid.deliveries(asked.part, asked.seed)[:asked.only]:
        print(f"{d.out}: knee {film(replace(d, fps=FPS), asked.folder):.1f}", flush=True)


if __name__ == "__main__":
    main()
