"""Parcel: a zip from elsewhere, opened without trust: names, sizes, checksums and versions are looked at first, nothing
is unpacked by a name that the zip gives, and a damaged or foreign file is a fault in one line.
"""
from __future__ import annotations

import base64
import hashlib
import json
import re
import shutil
import zipfile
import zlib
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Iterator

from kiosk import avi
from kiosk.exports.bundle import BUNDLE_VERSION, FORMAT, TABLES
from kiosk.faults import Fault
from kiosk.logbook import file

NAME = re.compile(rf"(manifest|about)\.json|balls\.csv|README\.txt|rows/({'|'.join(TABLES)})\.jsonl|"
                  r"clips/ball-[0-9]{1,12}\.avi")
MOST_FILES = 200_000                     # a clip a ball: two seasons of forty bowlers
LARGEST = {"manifest.json": 64 << 20, "README.txt": 1 << 20, "about.json": 1 << 28, "balls.csv": 1 << 30}
LARGEST_ROWS, LARGEST_CLIP, LARGEST_LINE = 32 << 30, 4 << 30, 64 << 20     # an AVI of ours has at most 4 GiB
ROOM = 256 << 20                         # bytes that must be left on the disk
Row = dict[str, Any]


class Parcel:
    """The checked zip. rows: of a table, one after the other; clip: the bytes of a file, in pieces."""

    def __init__(self, z: zipfile.ZipFile, path: Path) -> None:
        self._zip, self._path = z, path
        self._infos = self._looked_at()
        self.manifest = self._manifest()

    def rows(self, table: str) -> Iterator[Row]:
        name = f"rows/{table}.jsonl"
        if name not in self._infos:
            return
        with self._zip.open(name) as f:
            while line := f.readline(LARGEST_LINE):
                if not line.endswith(b"\n"):
                    raise self.fault(f"a line of {name} that has no end")
                yield self._row(name, line)

    def clip(self, name: str) -> Iterator[bytes]:
        with self._zip.open(f"clips/{name}") as f:
            while piece := f.read(1 << 20):
                yield piece

    def frames(self, name: str) -> Iterator[bytes]:
        with self._zip.open(f"clips/{name}") as f:
            yield from avi.frames_in(f)

    def has_clip(self, name: str) -> bool:
        return f"clips/{name}" in self._infos

    def fault(self, found: str) -> Fault:
        return Fault(f"to take in {self._path}", found, "export it again on the other machine; nothing was taken in")

    def check(self) -> None:
        """Every file has the size and the sum that the manifest names."""
        for name, told in self.manifest["files"].items():
            digest, size = hashlib.sha256(), 0
            with self._zip.open(name) as f:
                while piece := f.read(1 << 20):
                    digest.update(piece)
                    size += len(piece)
            if (size, digest.hexdigest()) != (told["bytes"], told["sha256"]):
                raise self.fault(f"{name}, which is not what the manifest says")

    def _looked_at(self) -> dict[str, zipfile.ZipInfo]:
        infos = self._zip.infolist()
        if len(infos) > MOST_FILES:
            raise self.fault(f"{len(infos)} files in it")
        by_name: dict[str, zipfile.ZipInfo] = {}
        for info in infos:
            if not NAME.fullmatch(info.filename):
                raise self.fault(f"a file {info.filename[:80]!r} in it, which no export writes")
            if info.filename in by_name:
                raise self.fault(f"two files {info.filename} in it")
            if info.flag_bits & 1 or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise self.fault(f"{info.filename}, packed in a way that no export uses")
            most = LARGEST.get(info.filename, LARGEST_CLIP if info.filename.startswith("clips/") else LARGEST_ROWS)
            if info.file_size > most:
                raise self.fault(f"{info.filename} of {info.file_size} bytes, more than {most}")
            by_name[info.filename] = info
        return by_name

    def _manifest(self) -> dict[str, Any]:
        if "manifest.json" not in self._infos:
            raise self.fault("a zip of something else")
        try:
            told = json.loads(self._zip.read("manifest.json"))
            whose, version, log_version = told["format"], int(told["version"]), int(told["log_version"])
            files = {str(n): {"bytes": int(f["bytes"]), "sha256": str(f["sha256"])} for n, f in told["files"].items()}
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as e:
            raise self.fault("a manifest that cannot be read") from e
        if whose != FORMAT:
            raise self.fault("a zip of something else")
        if version > BUNDLE_VERSION or log_version > len(file.STEPS):
            raise Fault(f"to take in {self._path}", "a zip that a newer program wrote", "install that one here too")
        if set(files) != set(self._infos) - {"manifest.json"}:
            raise self.fault("other files than the manifest names")
        if wrong := [n for n, told_of in files.items() if told_of["bytes"] != self._infos[n].file_size]:
            raise self.fault(f"{wrong[0]}, which is not as long as the manifest says")
        return told | {"files": files}

    def _row(self, name: str, line: bytes) -> Row:
        try:
            row = json.loads(line, parse_constant=_no_number)
            return {str(k): _value(v) for k, v in row.items()}
        except (ValueError, TypeError, AttributeError, RecursionError) as e:
            raise self.fault(f"a line of {name} that cannot be read") from e


@contextmanager
def opened(path: Path, home: Path) -> Iterator[Parcel]:
    """The parcel in a file, looked at and checked as a whole. Fault where it is none, or there is no room for it."""
    asked = f"to take in {path}"
    again = "export it again on the other machine; nothing was taken in"
    try:
        with zipfile.ZipFile(path) as z:
            parcel = Parcel(z, path)
            needed = sum(info.file_size for info in z.infolist()) + ROOM
            if needed > (free := shutil.disk_usage(home).free):
                raise Fault(asked, f"{needed} bytes in it, {free} free on the disk", "free some space")
            parcel.check()
            yield parcel
    except FileNotFoundError as e:
        raise Fault(asked, "no such file", "give the zip that creaseside export wrote") from e
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeDecodeError) as e:
        raise Fault(asked, f"a damaged file, or no zip ({e})", again) from e
    except OSError as e:
        raise Fault(asked, e.strerror or str(e), again) from e


def _value(value: Any) -> Any:
    """A cell: nothing, a number, text, a list of times, or bytes."""
    if isinstance(value, dict):
        if set(value) != {"base64"}:
            raise ValueError("no cell")
        return base64.b64decode(value["base64"], validate=True)
    if value is not None and not isinstance(value, (int, float, str, list)):
        raise ValueError("no cell")
    return value


def _no_number(word: str) -> float:
    raise ValueError(word)
