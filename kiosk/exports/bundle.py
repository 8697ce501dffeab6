"""Bundle: a zip with everything of a session, a player or a log, which another machine takes in (kiosk/imports).

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
from typing import Any, Iterable, Iterator, Mapping

from creaseside.stamps import Stamp
from kiosk import VERSION, avi, clips
from kiosk.exports import table, veil, whole
from kiosk.logbook import Reader, file, views

FORMAT, BUNDLE_VERSION = "creaseside bundle", 1
MOST_ACCESSES = 1_000_000
# {table: {column: the table that it points to}}, in the order in which they stand in the zip
POINTS: Mapping[str, Mapping[str, str]] = {
    "player": {}, "consent": {"player": "player"}, "height": {"player": "player"}, "setup": {}, "program": {},
    "zero": {"player": "player", "setup": "setup"},
    "session": {"player": "player", "program": "program", "setup": "setup"}, "block": {"session": "session"},
    "ball": {"session": "session", "player": "player", "block": "block", "program": "program", "setup": "setup",
             "zero": "zero"},
    "trace": {"ball": "ball"}, "feedback": {"ball": "ball"}, "clip": {"ball": "ball"}}
TABLES = tuple(POINTS)
NEEDED = {"consent": {"player"}, "height": {"player"}, "zero": {"player"}, "block": {"session"}, "ball": {"session"},
          "trace": {"ball"}, "feedback": {"ball"}}
README = """These are bowling sessions out of creaseside: rows/ holds them as JSON lines, balls.csv as a table,
clips/ holds pictures where the players' consent allowed it on the day of the export.
They hold names and consents: keep this file as you would keep the log, and delete it when it is no longer needed.
`creaseside import` takes it in on another machine.
"""


def write(log: Reader, to: Path, session: str | None, player: str | None, own: bool = False) -> dict[str, Any]:
    """What is in it, in numbers. own: a player's own data, with all that is kept about them besides balls. Neither
    a session nor a player: the whole log."""
    with whole.file(log.place, to, "a zip") as part, zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as z:
        bundle = _Bundle(z)
        counts = _fill(log, bundle, session, player)
        if own:
            bundle.put("about.json", [json.dumps(about(log, player), ensure_ascii=False, indent=1).encode()])
        bundle.close(log, {"session": session, "player": player})
    return {"export": str(to), "format": "zip", **counts}


def about(log: Reader, player: str) -> dict[str, Any]:
    """All that is kept about a player besides the balls."""
    sessions, own = log.sessions(player), Counter(ball["session"] for ball in log.ball_rows(player=player))
    return {"player": log.player(player), "consents": log.consents(player), "heights": log.heights(player),
            "standing_zeros": log.rows_of("zero", "player", player), "accesses": log.accesses(player, MOST_ACCESSES),
            "sessions": [{"id": s["id"], "started_utc": s["started_utc"], "own_balls": own[s["id"]]} for s in sessions]}


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
    ids = sorted(b["id"] for b in balls)
    everything = session is None and player is None
    people = sorted({b["player"] for b in balls} - {None} | ({player} if player else set())
                    | ({p["id"] for p in log.players()} if everything else set()))
    sessions = [s["id"] for s in reversed(log.sessions())] if everything else [session] if session else list(
        dict.fromkeys(b["session"] for b in balls))
    of = {"session": sorted(sessions), "ball": ids}
    pointing = [*balls, *_in(log, "session", "id", of["session"]), *_in(log, "zero", "player", people)]
    rows: dict[str, Iterable[dict[str, Any]]] = {
        "player": (row | {"card": None} for row in _in(log, "player", "id", people)),
        "consent": _in(log, "consent", "player", people), "height": _in(log, "height", "player", people),
        **{name: _in(log, name, "id", sorted({p.get(name) for p in pointing} - {None}))
           for name in ("setup", "program")},
        "zero": _in(log, "zero", "player", people), "session": _in(log, "session", "id", of["session"]),
        "block": _in(log, "block", "session", of["session"]), "ball": _in(log, "ball", "id", ids),
        "trace": _in(log, "trace", "ball", ids), "feedback": _in(log, "feedback", "ball", ids)}
    there: dict[str, set[Any]] = {}
    counts = {name: bundle.put(f"rows/{name}.jsonl", map(line, _joined(name, found, there)))
              for name, found in rows.items()}
    kept = [row for ball in balls if (row := _clip(log, bundle, ball))]
    bundle.put("rows/clip.jsonl", map(line, kept))
    _for_people(bundle, balls)
    return {"count": counts["ball"], "sessions": counts["session"], "players": counts["player"], "clips": len(kept),
            "blurred": sum(row["frames_blurred"] for row in kept)}


def _joined(name: str, rows: Iterable[dict[str, Any]], there: dict[str, set[Any]]) -> Iterator[dict[str, Any]]:
    """The rows, pointing to nothing that is not in the zip: other players, or what a damaged log has lost."""
    ids = there.setdefault(name, set())
    for row in rows:
        lost = {c for c, of in POINTS.get(name, {}).items() if row[c] is not None and row[c] not in there[of]}
        if not lost & NEEDED.get(name, set()):
            ids.add(row["id"])
            yield row | dict.fromkeys(lost)


def line(row: dict[str, Any]) -> bytes:
    plain = {k: {"base64": base64.b64encode(v).decode("ascii")} if isinstance(v, bytes) else v for k, v in row.items()}
    return (json.dumps(plain, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _in(log: Reader, name: str, column: str, keys: list) -> Iterator[dict[str, Any]]:
    for key in keys:
        yield from log.rows_of(name, column, key)


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
