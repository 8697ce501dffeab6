"""Bundle: a zip with everything of a session or a player, which another machine takes in (kiosk/imports).

    manifest.json      what it is: format, version, the log's version, and size and sha256 of every other file
    rows/TABLE.jsonl   the log's rows, one JSON object a line; bytes as {"base64": …}
    clips/*.avi        pictures, only where consent to clips counts today; faces are blurred unless it says otherwise
    balls.csv          the balls once more, for people
    about.json         only in a player's own data: who they are here, consents, heights, and who looked at what
    README.txt         what this is, for whoever finds it

Names and consents are in it. Cards, accesses and what belongs to other players stay where they are.
"""
from __future__ import annotations

import base64
import hashlib
import json
import tempfile
import zipfile
from collections import Counter
from pathlib import Path
from typing import Any, Iterable, Iterator

from creaseside.stamps import Stamp
from kiosk import VERSION, avi, clips
from kiosk.exports import table, veil, whole
from kiosk.logbook import Reader, file, views

FORMAT, BUNDLE_VERSION = "creaseside bundle", 1
MOST_ACCESSES = 1_000_000
README = """These are bowling sessions out of creaseside: rows/ holds them as JSON lines, balls.csv as a table,
clips/ holds pictures where the players' consent allowed it on the day of the export.
They hold names and consents: keep this file as you would keep the log, and delete it when it is no longer needed.
`creaseside import` takes it in on another machine.
"""


def write(log: Reader, to: Path, session: str | None, player: str | None, own: bool = False) -> dict[str, Any]:
    """What is in it, in numbers. own: a player's own data, with all that is kept about them besides balls."""
    with whole.file(log.place, to, "a zip") as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as z:
        bundle = _Bundle(z)
        counts = _fill(log, bundle, session, player)
        if own:
            bundle.put("about.json", [json.dumps(about(log, player), ensure_ascii=False, indent=1).encode()])
        bundle.close(log, {"session": session, "player": player})
    return {"export": str(to), "format": "zip", **counts}


def about(log: Reader, player: str) -> dict[str, Any]:
    """All that is kept about a player besides the balls."""
    own = Counter(ball["session"] for ball in log.ball_rows(player=player))
    return {"player": log.player(player), "consents": log.consents(player), "heights": log.heights(player),
            "standing_zeros": log.rows_of("zero", "player", player), "accesses": log.accesses(player, MOST_ACCESSES),
            "sessions": [{"id": s["id"], "started_utc": s["started_utc"], "own_balls": own[s["id"]]} for s in log.sessions(player)]}


class _Bundle:
    def __init__(self, z: zipfile.ZipFile) -> None:
        self._zip, self._files = z, {}

    def put(self, name: str, pieces: Iterable[bytes], packed: bool = True) -> int:
        """A file out of its pieces; how many pieces."""
        digest, size, n = hashlib.sha256(), 0, 0
        info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        info.external_attr = 0o600 << 16
        with self._zip.open(info, "w", force_zip64=True) as f:
            for n, piece in enumerate(pieces, 1):
                f.write(piece)
                digest.update(piece)
                size += len(piece)
        self._files[name] = {"bytes": size, "sha256": digest.hexdigest()}
        return n

    def close(self, log: Reader, of: dict[str, Any]) -> None:
        made = {"format": FORMAT, "version": BUNDLE_VERSION, "log_version": len(file.STEPS), "program": VERSION,
                "made_utc": log.clock.utc_and_ns()[0].isoformat(timespec="seconds"), **of, "files": self._files}
        self._zip.writestr("manifest.json", json.dumps(made, indent=1))


def _fill(log: Reader, bundle: _Bundle, session: str | None, player: str | None) -> dict[str, int]:
    balls = log.ball_rows(session, player)
    ids = {b["id"] for b in balls}
    people = sorted({b["player"] for b in balls} - {None} | ({player} if player else set()))
    sessions = list(dict.fromkeys(b["session"] for b in balls)) or [s for s in (session,) if s]
    rows = {"player": _players(log, people), "session": _sessions(log, sessions, people),
            "ball": _in(log, "ball", "id", sorted(ids))}
    rows |= {name: _in(log, name, "player", people) for name in ("consent", "height", "zero")}
    rows["block"] = _in(log, "block", "session", sessions)
    for name in ("setup", "program"):
        rows[name] = _in(log, name, "id", sorted({b[name] for b in balls} - {None}))
    rows["feedback"] = _in(log, "feedback", "ball", sorted(ids))
    counts = {name: bundle.put(f"rows/{name}.jsonl", map(line, found)) for name, found in rows.items()}
    bundle.put("rows/trace.jsonl", (line(row) for id in sorted(ids) for row in _in(log, "trace", "ball", [id])))
    kept = [row for ball in balls if (row := _clip(log, bundle, ball))]
    bundle.put("rows/clip.jsonl", map(line, kept))
    _for_people(bundle, balls)
    return {"count": counts["ball"], "sessions": counts["session"], "players": counts["player"], "clips": len(kept),
            "blurred": sum(row["frames_blurred"] for row in kept)}


def line(row: dict[str, Any]) -> bytes:
    plain = {k: {"base64": base64.b64encode(v).decode("ascii")} if isinstance(v, bytes) else v for k, v in row.items()}
    return (json.dumps(plain, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _in(log: Reader, name: str, column: str, keys: list) -> Iterator[dict[str, Any]]:
    for key in keys:
        yield from log.rows_of(name, column, key)


def _players(log: Reader, people: list[str]) -> Iterator[dict[str, Any]]:
    for row in _in(log, "player", "id", people):
        yield row | {"card": None}


def _sessions(log: Reader, sessions: list[str], people: list[str]) -> Iterator[dict[str, Any]]:
    """Whose session it was stays out where that was somebody else."""
    for row in _in(log, "session", "id", sessions):
        yield row | {"player": row["player"] if row["player"] in people else None}


def _clip(log: Reader, bundle: _Bundle, ball: dict[str, Any]) -> dict[str, Any] | None:
    """The ball's clip goes into the zip; its row, or None where there is none that may go."""
    today = log.today()
    row = log.clip(ball["id"])
    if not row or row["keep_until"] <= today.isoformat() or not clips.may_keep_pictures(log, ball["player"], today):
        return None
    source = log.place.clips / row["file"]
    if not source.exists():
        return None
    frames = [(Stamp(i, t_ns), jpeg) for i, (t_ns, jpeg) in enumerate(zip(row["t_ns"], avi.frames(source)))]
    if blurred := log.faces(ball["player"], today) != "shown":
        poses = [pose for track in log.traces(ball["id"]).values() for pose in track]
        frames = list(veil.clip(frames, poses))
    if not frames:
        return None
    with tempfile.TemporaryDirectory(prefix="creaseside-") as aside:
        made = clips.write(Path(aside) / row["file"], frames)
        with (Path(aside) / made.file).open("rb") as f:
            bundle.put(f"clips/{made.file}", iter(lambda: f.read(1 << 20), b""), packed=False)
    return {"ball": ball["id"], "file": made.file, "frames": len(made.t_ns), "width_px": made.width_px,
            "height_px": made.height_px, "t_ns": list(made.t_ns), "bytes": made.size, "sha256": made.sha256,
            "keep_until": row["keep_until"], "frames_blurred": len(made.t_ns) if blurred else 0}


def _for_people(bundle: _Bundle, balls: list[dict[str, Any]]) -> None:
    with tempfile.TemporaryDirectory(prefix="creaseside-") as aside:
        csv = Path(aside) / "balls.csv"
        table.to_csv(csv, views.BALLS, balls)
        bundle.put("balls.csv", [csv.read_bytes()])
    bundle.put("README.txt", [README.encode()])
