"""Fuzz: marks, settings, clips, rows of the log and web parameters of every shape; the answer is a value or one clear line."""
from __future__ import annotations

import json
import math
import random
import sqlite3
import tomllib
from pathlib import Path
from typing import Callable

from creaseside import rows
from creaseside.ball import QUANTITIES
from creaseside.settings import Faults, Settings, from_mapping
from kiosk import avi, marks
from kiosk.faults import Fault
from kiosk.logbook import Logbook
from kiosk.place import Place
from kiosk.sources import jpeg
from tests.faults import net as nets
from tests.faults.row import Row, need
from tests.kiosk.bowled import some_ball, some_frames

WORDS = ("", " ", "0", "-1", "p-sam", "../../etc/passwd", "..\\..", "%2e%2e%2f", "<script>alert(1)</script>", "'; drop table ball;--",
         "=cmd()", "\x00", "\u202e", "नाम", "😀", "a" * 5000, "1e999", "nan", "None", "{{7*7}}", "\r\nSet-Cookie: a=b", "s-1", "//x")
BESIDE = {"number": 1, "clip": None, "release_to_verdict_s": None, "release_to_cue_s": None}
NUMBERS = (0, -1, 1, 2**31, 2**63, -2**63, 2**64, 1e308, -1e308, math.inf, -math.inf, math.nan, 0.1, 1280, 720)


def run(count: int, folder: Path) -> str:
    """Shares of the count to each door; an eighth of it to the pages, which cost most."""
    chance = random.Random(100_000)
    folder.joinpath("clips").mkdir()
    doors: list[tuple[str, float, Callable[[random.Random], None]]] = [
        ("settings", 0.32, _settings), ("marks", 0.22, _marks), ("clips", 0.16, _Clips(folder / "clips")),
        ("log rows", 0.2, _Rows(folder)), ("web parameters", 0.1, _Pages(folder))]
    done = []
    for name, share, door in doors:
        n = max(1, round(count * share))
        for i in range(n):
            try:
                door(chance)
            except (AssertionError, Exception) as e:
                need(False, f"{name}, case {i}: {type(e).__name__}: {str(e)[:300]}")
        done.append(f"{n} {name}")
    return f"{', '.join(done)}: {sum(int(d.split()[0]) for d in done)} cases, clear errors only"


def value(chance: random.Random, deep: int = 0):
    """Anything that a TOML or JSON document can hold."""
    kind = chance.randrange(8 if deep < 3 else 5)
    if kind < 2:
        return chance.choice(NUMBERS)
    if kind == 2:
        return chance.choice(WORDS)
    if kind == 3:
        return chance.choice((True, False, chance.uniform(-2000, 2000), chance.randrange(-99, 3000)))
    if kind == 4:
        return "".join(chr(chance.randrange(32, 0x3000)) for _ in range(chance.randrange(6)))
    if kind == 5:
        return [value(chance, deep + 1) for _ in range(chance.randrange(4))]
    return {chance.choice(WORDS): value(chance, deep + 1) for _ in range(chance.randrange(3))}


def one_line(e: Exception) -> None:
    assert str(e) and "\n" not in str(e) and "Traceback" not in str(e), repr(str(e))


def _settings(chance: random.Random) -> None:
    import dataclasses
    parts = {f.name: [g.name for g in dataclasses.fields(f.default)] for f in dataclasses.fields(Settings)}
    given = {}
    for _ in range(chance.randrange(1, 4)):
        part = chance.choice([*parts, chance.choice(WORDS)])
        keys = parts.get(part, ["a"])
        given[part] = value(chance) if chance.random() < 0.2 else {chance.choice([*keys, *keys, chance.choice(WORDS)]): value(chance)
                                                                   for _ in range(3)}
    try:
        assert isinstance(from_mapping(given), Settings)
    except Faults as e:
        assert e.faults and all(e.faults)


def _marks(chance: random.Random) -> None:
    text = marks.to_toml(nets.marks())
    given = tomllib.loads(text)
    for _ in range(chance.randrange(1, 4)):
        table = chance.choice([given, *[t for t in given.values() if isinstance(t, dict)]])
        key = chance.choice([*table, chance.choice(WORDS), "measured", "focal_px"])
        if chance.random() < 0.5:
            table[key] = value(chance)
        elif chance.random() < 0.5:
            table.pop(key, None)
        else:
            table[key] = [chance.choice(NUMBERS), chance.uniform(-100, 1400)]
    found, faults = marks.parse(given, chance.choice((None, (1280, 720), (0, 0))))
    assert (found is None) is bool(faults) and all(isinstance(f, str) and f for f in faults)
    if found is not None and chance.random() < 0.05:
        try:
            found.solved()
        except Fault as e:
            one_line(e)


class _Clips:
    """An AVI and a JPEG with bytes changed: read as frames, or refused."""

    def __init__(self, folder: Path) -> None:
        from kiosk import clips
        self._file = folder / "ball-000001.avi"
        clips.write(self._file, some_frames(4))
        self._avi, self._jpeg = self._file.read_bytes(), some_frames(1)[0][1]

    def __call__(self, chance: random.Random) -> None:
        data = bytearray(self._avi if chance.random() < 0.5 else self._jpeg)
        of_avi = len(data) == len(self._avi)
        for _ in range(chance.randrange(1, 20)):
            data[chance.randrange(min(len(data), 600))] = chance.randrange(256)
        if chance.random() < 0.3:
            del data[chance.randrange(len(data)):]
        if not of_avi:
            whole = jpeg.whole(bytes(data))
            size = jpeg.size_px(whole) if whole else None
            assert size is None or (len(size) == 2 and min(size) >= 0)
            return
        self._file.write_bytes(data)
        try:
            frames = list(avi.frames(self._file))
            assert all(isinstance(f, bytes) for f in frames) and sum(map(len, frames)) <= len(data)
        except Fault as e:
            one_line(e)


class _Rows:
    """Values of every kind through the log's writing doors, and rows with columns changed through its reading ones."""

    def __init__(self, folder: Path) -> None:
        (folder / "rows").mkdir()
        self._log = Logbook(Place(folder / "rows" / "home", quiet=True))
        self._player = self._log.add_player("Sam")
        self._begun = self._log.start_session(self._player)
        self._row = rows.to_row(some_ball(1))

    def __call__(self, chance: random.Random) -> None:
        kind = chance.randrange(100)
        try:
            if kind == 0:
                self._log.add_player(chance.choice(WORDS), chance.choice((None, "right", *WORDS)), chance.choice((None, 2000, *NUMBERS)),
                                     chance.choice((None, "u13", *WORDS)))
            elif kind == 1:
                self._log.add_consent(chance.choice((self._player, *WORDS)), chance.choice(("clips", *WORDS)), chance.choice(WORDS),
                                      chance.choice(("parent", *WORDS)))
            elif kind < 10:
                chance.choice((self._log.player, self._log.session, self._log.consents))(chance.choice(WORDS))
            else:
                changed = dict(self._row)
                for key in chance.sample([*changed], chance.randrange(1, 4)):        # strict tables hold a column's own kind
                    text = isinstance(changed[key], str)
                    changed[key] = chance.choice(WORDS) if text else chance.choice(tuple(map(float, NUMBERS)))
                ball = rows.from_row(changed)
                json.dumps(rows.as_json(rows.to_row(ball) | BESIDE), allow_nan=False)
                assert set(ball.values) == {q.name for q in QUANTITIES}
        except Fault as e:
            one_line(e)
        except (ValueError, sqlite3.IntegrityError) as e:
            one_line(e)


class _Pages:
    """Paths, queries, forms and heads through the review's own application; never an error of the server's."""

    def __init__(self, folder: Path) -> None:
        (folder / "pages").mkdir()
        self._client, self._paths = _client(Place(folder / "pages" / "home", quiet=True))

    def __call__(self, chance: random.Random) -> None:
        path = chance.choice(self._paths) if chance.random() < 0.8 else "/" + chance.choice(WORDS)
        while "<" in path:
            head, _, rest = path.partition("<")
            path = head + chance.choice((*WORDS[:12], "s-1", "1", "0")).replace("\x00", "%00") + rest.partition(">")[2]
        query = {chance.choice(("sort", "page", "player", "session", "q", "from", *WORDS)): str(value(chance)) for _ in range(2)}
        method = chance.choice(("get", "get", "get", "post", "put", "delete"))
        body = {"data": {"pin": str(value(chance)), "token": chance.choice(WORDS)}} if method == "post" else {}
        heads = {"Host": chance.choice(("127.0.0.1", "localhost", "127.0.0.1:8000", "evil.example", "a" * 300))}
        answer = getattr(self._client, method)(path, query_string=query, headers=heads, **body)
        assert answer.status_code < 500, f"{method} {path!r} {query}: {answer.status_code}"
        assert b"Traceback" not in answer.data and b"<script>alert(1)" not in answer.data, f"{method} {path!r}"


def _client(place: Place):
    """A test client of the review's application and the paths that it knows."""
    from kiosk.review import app as review
    with Logbook(place) as log:
        begun = log.start_session(log.add_player("Sam", id="p-sam"))
        log.add_ball(begun, some_ball(1))
    app = review.make(place)
    return app.test_client(), sorted({str(rule) for rule in app.url_map.iter_rules()})


ROW = Row("fuzz", "marks, settings, clips, rows of the log and web parameters of every shape", "clear errors only", 1500, 100_000, run)
