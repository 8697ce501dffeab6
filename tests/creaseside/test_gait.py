"""The knee's angle against a published gait table.

Winter, Biomechanics and Motor Control of Human Movement (4th ed. 2009), appendix A: six of 106 frames of a fast walk,
marker places in cm (table A.1, as measured) and knee flexion (table A.4). The table's own shank is the line from ankle to
fibula head, not to the knee: with that line our angle is the table's, but for the noise of places that were not
filtered (2.2 deg at most). With the hip, knee and ankle of pose models it may differ by up to 7 deg.
"""
from __future__ import annotations

import numpy as np
import pytest

from creaseside.joints import included_deg, signed_deg

# frame: hip, knee, fibula head, ankle (x along the walk, y up), knee flexion of table A.4
WINTER = {
    1: ((44.94, 78.58), (41.00, 47.40), (35.91, 40.53), (9.31, 21.44), 46.7),
    10: ((62.78, 82.01), (73.22, 51.73), (71.31, 43.84), (48.15, 21.06), 64.6),
    28: ((101.53, 79.34), (112.34, 50.46), (113.87, 41.80), (124.94, 10.63), -0.6),
    36: ((118.78, 81.63), (128.32, 51.86), (128.83, 42.69), (129.46, 9.10), 15.4),
    50: ((142.02, 82.65), (140.11, 51.09), (137.05, 42.57), (130.56, 9.99), 7.6),
    80: ((204.80, 82.65), (215.74, 52.62), (213.83, 44.47), (192.20, 19.66), 61.3),
}
HIP, KNEE, FIBULA, ANKLE = (np.array([row[i] for row in WINTER.values()]) for i in range(4))
FLEXION = np.array([row[4] for row in WINTER.values()])


def test_with_the_table_s_own_shank_the_knee_is_the_table_s():
    """Also the sign: -0.6 deg of flexion is a knee bent backwards, above 180."""
    ours = 180 - signed_deg(HIP, KNEE, KNEE + (ANKLE - FIBULA))
    np.testing.assert_allclose(ours, FLEXION, atol=2.2)


def test_with_a_pose_model_s_landmarks_it_is_as_near_as_those_allow():
    np.testing.assert_allclose(180 - included_deg(HIP, KNEE, ANKLE), FLEXION, atol=7.0)


def test_signed_and_included_are_one_angle_on_a_leg_that_bends_as_legs_do():
    np.testing.assert_allclose(signed_deg(HIP, KNEE, ANKLE), included_deg(HIP, KNEE, ANKLE), atol=1e-9)


@pytest.mark.parametrize("hip, knee, ankle, included, signed", [
    ((0, 2), (0, 1), (0, 0), 180, 180),
    ((0, 2), (0, 1), (-1, 1), 90, 90),          # the shank behind: a bent knee
    ((0, 2), (0, 1), (1, 1), 90, 270),          # the shank in front: bent backwards
])
def test_plain_figures(hip, knee, ankle, included, signed):
    points = [np.array(p, float) for p in (hip, knee, ankle)]
    assert included_deg(*points) == pytest.approx(included)
    assert signed_deg(*points) == pytest.approx(signed)


def test_an_unseen_joint_gives_no_angle():
    unseen = np.array([np.nan, np.nan])
    assert np.isnan(included_deg(np.zeros(2), np.ones(2), unseen)) and np.isnan(signed_deg(unseen, np.ones(2), np.zeros(2)))
