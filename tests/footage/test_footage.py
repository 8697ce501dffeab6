"""The footage maker: the skeleton does what its truth says, the camera sees it there, the seeds fix the grid."""
from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from creaseside import pitch
from tests.footage import grid, measures, truth
from tests.footage.acts import Stand
from tests.footage.body import load
from tests.footage.bowler import OTHER, Bowler, _mirrored
from tests.footage.camera import Camera
from tests.footage.delivery import Delivery
from tests.footage.film import Grain
from tests.footage.grid import COUNT, SPEED_M_S, WINDOW_S
from tests.footage.rotations import included_deg

PLAIN = Delivery(out="plain", knee=163.0, knee_br=151.0)


@cache
def bowls(d: Delivery) -> Bowler:
    return Bowler(d)


def knee_deg(bowler: Bowler, t: float, side: str) -> float:
    j = bowler.joints(t)
    return float(included_deg(j["hip" + side], j["knee" + side], j["ankle" + side]))


@pytest.mark.parametrize("body", ["adult", "woman", "tall", "junior"])
@pytest.mark.parametrize("arm", ["R", "L"])
@pytest.mark.parametrize("knee", [140.0, 160.0, 178.0])
def test_the_front_knee_is_as_asked_at_contact_and_release(body: str, arm: str, knee: float) -> None:
    stride = 0.78 * load(body).stature_m
    bowler = bowls(replace(PLAIN, body=body, arm=arm, knee=knee, knee_br=knee - 5, stride=stride, speed=4.4))
    assert knee_deg(bowler, 0.0, bowler.d.front) == pytest.approx(knee, abs=1e-6)
    assert knee_deg(bowler, bowler.d.t_br, bowler.d.front) == pytest.approx(knee - 5, abs=1e-6)


def test_the_knee_dips_between_contact_and_release_by_what_was_asked() -> None:
    bowler = bowls(replace(PLAIN, knee_dip=8.0))
    half = knee_deg(bowler, bowler.d.t_br / 2, "L")
    assert half == pytest.approx((163 + 151) / 2 - 8, abs=1e-6)


def test_a_flat_foot_does_not_move() -> None:
    bowler = bowls(PLAIN)
    for c in bowler.motion.contacts:
        flat = np.arange(c.on + c.t_flat, c.on + c.heel_up * (c.off - c.on), 0.004)
        track = np.array([bowler.joints(t)["ankle" + c.side] for t in flat if bowler.slip_m(t) == 0])
        assert len(track) > 3
        assert np.ptp(track, axis=0).max() < 1e-9, c.label


def test_the_ball_of_the_back_foot_stays_where_it_stands_while_the_heel_lifts() -> None:
    bowler = bowls(PLAIN)
    back = next(c for c in bowler.motion.contacts if c.label == "BFC")
    times = np.arange(back.on + back.t_flat + 1e-6, back.off, 0.004)
    ball = np.array([bowler.motion.pose(t).joints["ballR"] for t in times if bowler.slip_m(t) == 0])
    assert np.ptp(ball, axis=0).max() < 1e-9
    assert ball[:, 2] == pytest.approx(0.0, abs=1e-9)


def test_no_sole_sinks_into_the_ground() -> None:
    poses = [bowls(PLAIN).motion.pose(t).joints for t in np.arange(-1.3, 1.2, 0.01)]
    assert min(p[k + s][2] for p in poses for k in ("heelsole", "ball") for s in "LR") > -1e-9


def test_a_left_armer_is_the_mirror_image() -> None:
    right, left = bowls(PLAIN), bowls(replace(PLAIN, arm="L"))
    for t in (-0.9, -0.18, 0.0, 0.11, 0.3):
        a, b = right.joints(t), left.joints(t)
        assert set(a) == set(b)
        for name, place in a.items():
            np.testing.assert_allclose(b[_mirrored(name)], place * [1, -1, 1], atol=1e-12)
        assert right.contact(t) == {OTHER[s]: c for s, c in left.contact(t).items()}
    assert left.heading_deg(-1.0) == -right.heading_deg(-1.0)


def test_a_mirrored_mesh_still_shows_its_outside() -> None:
    def volume(arm: str) -> float:
        m = bowls(replace(PLAIN, arm=arm)).mesh(0.0)
        a, b, c = (m.V[m.F[:, i]] for i in range(3))
        return float((a * np.cross(b, c)).sum() / 6)
    assert 0.03 < volume("R") == pytest.approx(volume("L"))         # m3; the mesh is closed but for details


def test_contacts_come_in_the_order_of_a_delivery() -> None:
    labels = [c["label"] for c in bowls(PLAIN).contacts()]
    assert labels == ["run-up"] * 5 + ["take-off", "BFC", "FFC"] + ["follow-through"] * 4
    sides = [c["side"] for c in bowls(PLAIN).contacts()]
    assert sides == list("RLRLR") + ["L", "R", "L"] + list("RLRL")


@pytest.mark.parametrize("body", ["adult", "woman", "tall", "junior"])
def test_who_stands_does_so_on_both_feet_with_legs_that_are_nearly_straight(body: str) -> None:
    stands = Stand(replace(PLAIN, body=body, arm="L"), 1.0, 2.0)
    first, last = stands.pose(1.0).joints, stands.pose(3.0).joints
    for side in "LR":
        assert np.abs(last["ankle" + side] - first["ankle" + side]).max() < 1e-9
        assert first["ankle" + side][2] == pytest.approx(stands.bowler.body.ankle_height_m, abs=1e-9)
    assert 0.001 < np.linalg.norm(last["pelvis"] - first["pelvis"]) < 0.03
    assert 171 < stands.knee_deg(1.0) < 180 and stands.mesh(1.0).V[:, 2].min() > -0.03


def test_what_cannot_be_reached_is_refused() -> None:
    with pytest.raises(ValueError, match="out of reach"):
        Bowler(replace(PLAIN, body="junior", stride=3.0))


# --- the ball's measures --------------------------------------------------------------------------------------------

def ball(d: Delivery) -> dict:
    return measures.of_ball(bowls(d), Camera.of(d))


def test_the_measures_are_those_that_were_asked_for() -> None:
    told = ball(replace(PLAIN, approach=8.0, final=8.0, stride=1.35, fps=100.0, t0=-1.5, phase=0.5))
    assert told["ffc_s"] == pytest.approx(1.5 - 0.005, abs=1e-4)
    assert (told["bfc_to_ffc_s"], told["ffc_to_br_s"]) == (0.18, 0.11)
    assert told["front_knee_ffc_3d_deg"] == pytest.approx(163.0, abs=1e-3)
    assert told["front_knee_ffc_deg"] == pytest.approx(163.0, abs=3.0)       # the leg stands a little across its plane
    assert told["approach_deg"] == pytest.approx(8.0, abs=0.6)                  # the hips sway
    # the stride along the heading and 16 cm across it, but for the ankles' way from landing to flat
    assert told["stride_length_m"] == pytest.approx(np.hypot(1.35, 0.16), abs=0.04)
    assert 3.0 < told["run_up_speed_m_s"] < 5.5 and 0.3 < told["speed_kept"] < 0.7


def test_a_left_armers_directions_change_their_sign_and_nothing_else() -> None:
    right = replace(PLAIN, approach=6.0, final=2.0)
    a, b = ball(right), ball(replace(right, arm="L", side="left"))
    for name in ("approach_deg", "turn_deg", "front_foot_offset_m"):
        assert b[name] == pytest.approx(-a[name], abs=1e-3)
    for name in ("front_knee_ffc_deg", "back_knee_bfc_deg", "stride_length_m", "trunk_lean_ffc_deg", "arm_delay_deg"):
        assert b[name] == pytest.approx(a[name], abs=1e-3)
    assert (a["arm"], b["arm"]) == ("right", "left")


@pytest.mark.parametrize("ffc, least, br, name", [       # Portus et al. 2004: 10 degrees of flexion or extension
    (170, 158, 162, "flexor"), (150, 149, 165, "extender"), (165, 150, 164, "flexor_extender"),
    (172, 165, 170, "constant_brace")])
def test_front_leg_actions(ffc: float, least: float, br: float, name: str) -> None:
    assert measures.action(ffc, least, br) == name


# --- camera, marks, truth -------------------------------------------------------------------------------------------

def test_marks_stand_where_the_laws_put_them() -> None:
    assert {name: tuple(place) for name, place in truth.MARKS_M.items()}.items() <= dict(pitch.MARKS).items()


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("yaw", [-35.0, 0.0, 40.0])
def test_marks_project_where_they_should(side: str, yaw: float) -> None:
    d = replace(PLAIN, side=side, yaw=yaw, dist=8.0)
    camera = Camera.of(d)
    placed = tomllib.loads(truth.marks(camera, d.seed))["marks"]
    assert len(placed) >= 5
    for name, px in placed.items():
        assert np.linalg.norm(camera.project(np.array(truth.MARKS_M[name]))[0] - px) < 5 * truth.HAND_PX
    base, top = (np.array(placed[f"middle_stump_{k}"]) for k in ("base", "top"))
    assert top[1] < base[1] - 30                                    # upright in the picture
    ahead = camera.project(np.array([[0, 0, 0], [1, 0, 0]]))[:, 0]
    assert (ahead[1] > ahead[0]) == (side == "right")               # runs to the right, seen from the bowler's right
    assert np.sign(camera.C[1]) == (-1 if side == "right" else 1)


def test_the_projection_matrix_agrees_with_opengls() -> None:
    camera = Camera.of(replace(PLAIN, yaw=25.0, side="left"))
    point = np.array([0.4, 0.2, 0.9, 1.0])
    clip = camera.gl() @ point
    seen = (clip[:2] / clip[3] * [1, -1] + 1) / 2 * [camera.W, camera.H]
    np.testing.assert_allclose(seen, camera.project(point[:3])[0], atol=1e-6)
    x = camera.matrix() @ point
    np.testing.assert_allclose(x[:2] / x[2], seen, atol=1e-6)


def test_the_truth_file_tells_of_every_frame_and_reads_back_to_its_delivery(tmp_path) -> None:
    d = replace(PLAIN, fps=50.0, t0=-0.3, t1=0.2, phase=0.4, arm="L", body="woman")
    truth.write(d, tmp_path)
    doc = json.loads((tmp_path / "plain.json").read_text())
    assert set(doc) >= {"params", "front", "fps", "n", "events", "contacts", "camera", "heading_deg", "frames", "ball"}
    assert doc["n"] == len(doc["frames"]) == len(doc["heading_deg"]) == 25
    assert [f["t"] for f in doc["frames"]] == pytest.approx([-0.3 + (i + 0.4) / 50 for i in range(25)], abs=1e-6)
    assert doc["events"]["FFC"]["frame"] == pytest.approx(0.3 * 50 - 0.4)
    assert doc["events"]["FFC"]["front_knee_deg"] == pytest.approx(163.0, abs=1e-6)
    assert truth.delivery(doc["params"]) == d
    assert tomllib.loads((tmp_path / "plain.marks.toml").read_text())["camera"] == {"width_px": 1280, "height_px": 720}


def test_grain_is_as_strong_as_asked_at_mid_grey() -> None:
    grey = np.full((200, 300, 3), 128, np.uint8)
    assert Grain((300, 200), 4.0, 1).over(grey).std() == pytest.approx(4.0, rel=0.03)
    assert (Grain((300, 200), 0.0, 1).over(grey) == grey).all()


# --- the grid -------------------------------------------------------------------------------------------------------

@cache
def part(name: str, n: int) -> list[Delivery]:
    return [grid.delivery(name, i) for i in range(n)]


def test_a_delivery_of_the_grid_is_fixed_by_its_seed() -> None:
    assert part("tune", 3) == [grid.delivery("tune", i) for i in range(3)]


def test_tune_and_held_have_no_delivery_in_common() -> None:
    tune, held = part("tune", 6), part("held", 6)
    assert len({(d.knee, d.approach, d.yaw, d.seed) for d in tune + held}) == 12
    assert len({grid.SEED[p] for p in COUNT}) == len(COUNT)
    assert (COUNT["tune"], COUNT["held"], COUNT["blind"]) == (40, 84, 40)


def test_the_grid_keeps_to_its_ranges() -> None:
    for d in part("tune", 6) + part("held", 6):
        low, high = SPEED_M_S[d.body]
        assert 140 <= d.knee <= 178 and low <= d.speed <= high
        assert abs(d.approach) <= 12 and d.final in (0.0, d.approach)
        assert -35 <= d.yaw <= 40 and 6 <= d.dist <= 10 and 1.0 <= d.height <= 2.2 and d.fps in (60, 120, 240)
        assert d.size in ((1280, 720), (1920, 1080)) and 0.001 <= d.exposure <= 0.004 and (d.t0, d.t1) == WINDOW_S
        y = d.ffy if d.arm == "R" else -d.ffy
        upright = np.array([[d.tx, y, 0], [d.tx, y, load(d.body).stature_m]])
        tall_px = np.ptp(Camera.of(d).project(upright)[:, 1]) * 720 / d.size[1]
        assert 220 < tall_px < 345                               # drawn as 230 to 330 at the camera's axis
        assert grid.fits(d)


def test_what_leaves_the_picture_is_not_in_the_grid() -> None:
    d = part("tune", 1)[0]
    assert grid.fits(d)
    assert not grid.fits(replace(d, tx=d.tx + 4.0))
    assert not grid.fits(replace(d, stride=3.0))
    assert not grid.fits(replace(d, speed=9.0))                  # the legs would have to slide


# --- drawing --------------------------------------------------------------------------------------------------------

@pytest.fixture(scope="module")
def shooting():
    render = pytest.importorskip("tests.footage.render", reason="no moderngl", exc_type=ImportError)
    from tests.footage.net import NoDrawing
    try:
        made = render.Shooting(replace(PLAIN, size=(640, 360), noise=0.0, bystander=True))
    except NoDrawing as e:
        pytest.skip(str(e))
    yield made
    made.net.close()


def test_the_bowler_is_drawn_where_the_joints_are(shooting) -> None:
    """Blue trousers in front of green."""
    image, camera, joints = shooting.shot(0.0).astype(int), shooting.camera, shooting.bowler.joints(0.0)
    for name in ("kneeL", "hipL", "hipR"):
        x, y = np.floor(camera.project(joints[name])[0]).astype(int)
        (_, green, blue), (_, green_before, blue_before) = image[y, x], shooting.net.empty[y, x].astype(int)
        assert blue > green and blue_before < green_before, name
    changed = np.abs(image - shooting.net.empty).max(-1) > 12
    assert 0.005 < changed.mean() < 0.2


def test_the_same_moment_is_drawn_the_same_twice(shooting) -> None:
    assert (shooting.shot(-0.1) == shooting.shot(-0.1)).all()
