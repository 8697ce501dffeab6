"""The bundles: what pruning leaves alone, what the cache gives back, and that a bad file is never used."""
from __future__ import annotations

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


@pytest.fixture
def cache(tmp_path, monkeypatch):
    monkeypatch.setenv("CREASESIDE_MODELS", str(tmp_path / "models"))
    return tmp_path / "models"


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


@pytest.mark.parametrize("harm", ["one byte", "half the file", "empty"])
def test_a_harmed_bundle_is_built_again(cache, harm):
    path = models.light_bundle()
    good = path.read_bytes()
    middle = len(good) // 2
    path.write_bytes({"one byte": good[:middle] + bytes([good[middle] ^ 1]) + good[middle + 1:],
                      "half the file": good[:middle], "empty": b""}[harm])
    assert models.light_bundle() == path
    assert path.read_bytes() == good


def test_what_was_not_fetched_is_none_and_nothing_is_fetched(cache, monkeypatch):
    monkeypatch.setattr(models.subprocess, "run", lambda *a, **k: pytest.fail("a program was run"))
    assert models.heavy_bundle() is None and models.lite_bundle() is None


def test_another_file_than_the_known_one_is_refused():
    raw = io.BytesIO()
    with tarfile.open(fileobj=raw, mode="w") as package:
        member = tarfile.TarInfo("package/pose_landmark_heavy.tflite")
        member.size = 4
        package.addfile(member, io.BytesIO(b"TFL3"))
    raw.seek(0)
    with pytest.raises(Fault, match="heavy pose model"):
        models._member(tarfile.open(fileobj=raw), "heavy", models.FETCHED_SHA256["heavy"])


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
