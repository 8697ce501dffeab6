"""The puppet keeps its word: bones do not stretch, planted feet do not slide, knee and arm do what they were told."""

from __future__ import annotations

import numpy as np
import pytest

from creaseside.phases import RELEASE_ARM_DEG
from creaseside.pose import INDEX
from tests.creaseside.puppet import SHANK, THIGH, bowler, goer, truth

T = np.arange(-1.6, 1.0, 0.002)


def joint(j, name):
    return j[:, INDEX[name]]


@pytest.mark.parametrize(
    "puppet",
    [bowler(), bowler(speed=7.0, approach=8, turn=-8, arm="left"), goer(1.4, 180), goer(2.8, step=0.36, stand=0.28)],
)
def test_bones_and_planted_feet(puppet):
    j = puppet.joints(T)
    for side in ("left", "right"):
        for a, b, length in (("hip", "knee", THIGH), ("knee", "ankle", SHANK)):
            found = np.linalg.norm(joint(j, f"{side}_{a}") - joint(j, f"{side}_{b}"), axis=1)
            assert np.abs(found - length).max() < 0.02  # legs lean across a little
        shown = side if not puppet.mirrored else {"left": "right", "right": "left"}[side]
        for d in puppet.downs:
            stands = (T >= d.on) & (T <= d.off)
            if d.side == side and stands.any():
                assert np.ptp(joint(j, f"{shown}_toe")[stands], axis=0).max() < 1e-3
        assert joint(j, f"{side}_heel")[:, 2].min() > 0.03 and joint(j, f"{side}_toe")[:, 2].min() > 0.0


@pytest.mark.parametrize("arm", ["right", "left"])
def test_knee_arm_and_heading_are_as_told(arm):
    t = truth(p := bowler(arm=arm, knee=172, knee_min=150, knee_br=160, approach=5, turn=-5))
    assert [t[f"front_knee_{w}_deg"] for w in ("ffc", "min", "br")] == pytest.approx([172, 150, 160], abs=0.2)
    assert t["approach_deg"] == pytest.approx(5, abs=0.05) and t["run_up_speed_m_s"] == pytest.approx(5.5, abs=0.01)
    j = p.joints(0.11 + np.array([-0.03, 0.0, 0.03]))
    reach = joint(j, f"{arm}_wrist") - joint(j, f"{arm}_shoulder")
    angle = np.degrees(np.arctan2(reach[:, 0], reach[:, 2]))
    assert angle == pytest.approx(RELEASE_ARM_DEG + np.array([-30, 0, 30]), abs=0.5)
