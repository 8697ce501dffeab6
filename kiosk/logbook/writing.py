"""Writing: what may be put into the log, each in one transaction."""
from __future__ import annotations

import dataclasses
import hashlib
import json
import secrets
import sqlite3
from datetime import date, datetime, timedelta, timezone
from types import ModuleType
from typing import TYPE_CHECKING, Any, Iterable, Mapping

from sqlite_utils import Database

from creaseside import rows
from creaseside.ball import Ball
from creaseside.pose import Pose
from creaseside.settings import FocusCue, Settings
from creaseside.stamps import NS
from kiosk import clock as clock_room
from kiosk.cards import NUMBERS
from kiosk.faults import Fault
from kiosk.logbook import erasing, file, people
from kiosk.logbook.hold import Hold
from kiosk.logbook.reading import Row
from kiosk.marks import to_row
from kiosk.place import Place

if TYPE_CHECKING:
    from kiosk.clips import Written
    from kiosk.marks import Marks

BLOCKS = ("warm_up", "baseline", "focus", "no_feedback", "free")
SOURCES = ("seen", "added by hand")
NO_NUMBERS = "not kept: no consent to numbers"


class Logbook(Hold):
    """The log of a Place, for writing. From any thread.

    notice: what people should hear about its opening (a damaged log was put aside), or None.
    trouble: why the latest ball could not be kept whole, or None.
    """

    def __init__(self, place: Place, clock: ModuleType = clock_room) -> None:
        self.notice: str | None = None
        self.trouble: Fault | None = None
        self._walls: dict[str, tuple[datetime, int]] = {}      # by session: wall time, and monotonic with sleep
        self._begun = self._walls
        super().__init__(place, clock)
        try:
            erasing.finish(self)
        except Fault as e:          # somebody reads just now: the next start tries again
            self.notice = "; ".join(filter(None, (self.notice, str(e))))

    # People

    def add_player(self, shown_name: str, arm: str | None = None, birth_year: int | None = None,
                   age_group: str | None = None, height_m: float | None = None, id: str | None = None) -> str:
        """A new player's id (`id`: one of your own choice, for invented players)."""
        today = self.today()
        _one_of("an arm", arm, people.ARMS) if arm else None
        _within("a year of birth", birth_year, 1900, today.year)
        _within("a height in metres", height_m, 0.8, 2.5)
        row = {"shown_name": people.shown_name(shown_name), "arm": arm, "birth_year": birth_year,
               "age_group": people.age_group(age_group) if age_group else None, "height_m": height_m,
               "height_on": today.isoformat() if height_m else None, "created_utc": self._utc()}
        with self.writing("to add a player") as db:
            id = id or _new_id(db, "player", "p")
            db["player"].insert({"id": id} | row)
            if height_m:
                db["height"].insert({"player": id, "height_m": height_m, "measured_on": today.isoformat()})
        return id

    def change_player(self, player: str, **what: Any) -> None:
        """What is known of a player, put right: arm, birth_year, age_group, shown_name."""
        row = {"arm": self.player(player)["arm"]} | what
        _one_of("an arm", row["arm"], people.ARMS) if row["arm"] else None
        _within("a year of birth", row.get("birth_year"), 1900, self.today().year)
        if row.get("age_group"):
            row["age_group"] = people.age_group(row["age_group"])
        if "shown_name" in row:
            row["shown_name"] = people.shown_name(row["shown_name"])
        with self.writing("to change a player") as db:
            db["player"].update(player, row)

    def add_height(self, player: str, height_m: float, on: date | None = None) -> None:
        """Measured on that day (today); a second one of the same day takes the first one's place."""
        _within("a height in metres", height_m, 0.8, 2.5)
        on, of = on or self.today(), self._one("player", player)
        if on > self.today():
            raise Fault(f"a height of {on}", "a day that is still to come", "give the day of the measurement")
        with self.writing("to add a height") as db:
            db["height"].insert({"player": of["id"], "height_m": height_m, "measured_on": on.isoformat()}, replace=True)
            if on.isoformat() >= (of["height_on"] or ""):
                db["player"].update(of["id"], {"height_m": height_m, "height_on": on.isoformat()})

    def add_consent(self, player: str, may_keep: str, given_by: str, role: str = "player", given_on: date | None = None,
                    until: date | None = None, note: str | None = None, faces: str = "blurred",
                    keep_days: int | None = None) -> int:
        """What may be kept of a player from `given_on` (today) on; a withdrawal is one more of these.

        faces: in pictures that leave the machine. keep_days: of a clip; None: as the settings say, and never longer.
        """
        _one_of("what may be kept", may_keep, people.KEEP)
        _one_of("faces in pictures that leave", faces, people.FACES)
        _within("days to keep a clip", keep_days, 0, 3650)
        _one_of("who gives consent", role, people.ROLES)
        given_on = given_on or self.today()
        if may_keep == "clips" and role == "player" and people.under_18(self.player(player), given_on):
            raise Fault("consent to pictures", "someone who may be under 18, by their own word alone",
                        "let a parent or carer give it, or put down an age that is certain")
        if until is not None and until < given_on:
            raise Fault(f"consent until {until}", f"that is before {given_on}, when it was given", "give a later day")
        row = {"player": self.player(player)["id"], "given_by": people.shown_name(given_by), "role": role,
               "given_on": given_on.isoformat(), "until": until and until.isoformat(), "may_keep": may_keep,
               "note": note, "faces": faces, "keep_days": keep_days}
        return self._insert("to add a consent", "consent", row)

    def card(self, player: str) -> int:
        """The number of the player's card, from now on theirs alone. One that is free is drawn by lot, so that an old
        card of somebody who was erased hardly ever stands for somebody else."""
        row = self._one("player", player)
        if row["card"] is not None:
            return row["card"]
        with self.writing("to give a player a card") as db:
            taken = {number for number, in db.execute("select card from player where card is not null")}
            free = sorted(set(range(NUMBERS)) - taken)
            if not free:
                raise Fault("a card for a player", f"{NUMBERS} players with cards", "erase players who left")
            number = secrets.choice(free)
            db["player"].update(row["id"], {"card": number})
        return number

    def add_zero(self, player: str, knee_deg: float, sd_deg: float | None, setup: int | None = None) -> int:
        """The player stood straight and the knee read so much."""
        from creaseside import standing     # brings the picture library along, which a log does not need
        row = {"player": self._one("player", player)["id"], "knee_deg": knee_deg, "sd_deg": sd_deg,
               "made_utc": self._utc(), "setup": setup, "joints": standing.edition()}
        return self._insert("to add a standing zero", "zero", row)

    # What numbers trace to

    def note_program(self, version: str, models: Mapping[str, str], settings: Settings) -> int:
        """This run of the program; models: {name: sha256 of its file}."""
        return self._insert("to note the program", "program", {
            "started_utc": self._utc(), "version": version, "models": _json(dict(models)),
            "settings": _json(dataclasses.asdict(settings))})

    def note_setup(self, marks: Marks) -> int:
        """The camera as it was set up; the same set-up is one row, however often it is used."""
        row = {key: _json(value) if isinstance(value, dict) else value for key, value in to_row(marks).items()}
        digest = hashlib.sha256(_json(row).encode()).hexdigest()
        with self.writing("to note the set-up") as db:
            for there in db["setup"].rows_where("hash = ?", [digest]):
                return there["id"]
            return db["setup"].insert(row | {"hash": digest, "made_utc": self._utc()}).last_pk

    def note_guidance(self, text: str) -> None:
        """The workload table that holds from now on, as its file says it; the same one again is no new row."""
        with self.writing("to note the workload table") as db:
            last = db.execute("select text from guidance order by id desc limit 1").fetchone()
            if last != (text,):
                db["guidance"].insert({"noted_utc": self._utc(), "text": text})

    # Sessions

    def start_session(self, player: str | None = None, coach: str | None = None, venue: str | None = None,
                      program: int | None = None, setup: int | None = None, focus: FocusCue = FocusCue(),
                      plan: Any = None) -> str:
        """A new session's id. Wall time is read here, once: the balls' times are reckoned from it."""
        wall, now_ns = self.clock.utc_and_ns()
        row = {"started_utc": _utc(wall), "utc_offset_min": _offset_min(wall), "ended_utc": None, "player": player,
               "coach": coach, "venue": venue, "program": program, "setup": setup, "measure": focus.measure or None,
               "at_least": focus.at_least, "at_most": focus.at_most, "words": focus.words or None,
               "plan": None if plan is None else _json(plan)}
        if player is not None:
            self._one("player", player)
        with self.writing("to start a session") as db:
            id = _new_id(db, "session", "s")
            db["session"].insert({"id": id} | row)
        self._walls[id] = wall, now_ns + self.clock.slept_ns()
        return id

    def end_session(self, session: str) -> None:
        self._one("session", session)
        with self.writing("to end a session") as db:
            db["session"].update(session, {"ended_utc": self._utc()})

    def set_focus(self, session: str, focus: FocusCue) -> None:
        """The one thing of a session in which nothing was judged yet. Fault where something was: begin another session."""
        judged = self._select("select 1 from ball where session = ? and verdict is not null limit 1", session)
        if judged:
            raise Fault(f"another focus in the session {session}", "balls that were judged by the one it has",
                        "begin another session")
        with self.writing("to set a focus") as db:
            db["session"].update(session, {"measure": focus.measure or None, "at_least": focus.at_least,
                                           "at_most": focus.at_most, "words": focus.words or None})

    def set_plan(self, session: str, plan: str | None) -> None:
        with self.writing("to set a plan") as db:
            db["session"].update(session, {"plan": None if plan is None else _json(plan)})

    def stop_session(self, session: str, stopped: bool = True) -> None:
        """Stopped before its end, or not after all (it was pressed by mistake). No reason is kept."""
        with self.writing("to stop a session") as db:
            db["session"].update(session, {"stopped_utc": self._utc() if stopped else None})

    def add_block(self, session: str, kind: str, planned_balls: int | None = None) -> int:
        """The next block of the session; its row's id."""
        _one_of("a block", kind, BLOCKS)
        self._one("session", session)
        with self.writing("to add a block") as db:
            last = db.execute("select max(ordinal) from block where session = ?", [session]).fetchone()[0]
            return db["block"].insert({"session": session, "ordinal": (last or 0) + 1, "kind": kind,
                                       "planned_balls": planned_balls}).last_pk

    # Balls

    def add_ball(self, session: str, ball: Ball, number: int | None = None, *, player: str | None = None,
                 block: int | None = None, zero: int | None = None, thrown_ns: int | None = None,
                 poses: Iterable[Pose] = (), feedback: str = "none", source: str = "seen",
                 ball_speed_km_h: float | None = None, release_to_verdict_s: float | None = None) -> int:
        """Log a ball with its traces; its row's id. When this returns the ball is on the disk and may be announced.

        number: the next of the session where None. player: the session's where None. thrown_ns: the release (now, where
        None). poses: of all models, in order of time. Where the disk is full the traces are given up first (`trouble`
        says so), then a Fault; nothing has to be mended for the next ball.
        """
        _one_of("a ball's source", source, SOURCES)
        of = self._one("session", session)
        player = player or of["player"]
        wall, thrown_ns = self._thrown(session, thrown_ns)
        tracks = _by_model(poses)
        if self.may_keep(player, wall.date()) == "none":
            ball, tracks = rows.counted(NO_NUMBERS), []
        row = {"session": session, "player": player, "block": block, "source": source, "thrown_utc": _utc(wall),
               "utc_offset_min": _offset_min(wall), "thrown_ns": thrown_ns, "program": of["program"],
               "setup": of["setup"], "zero": zero or self._zero_now(player, of["setup"]), "feedback": feedback, "release_to_verdict_s": release_to_verdict_s,
               "ball_speed_km_h": ball_speed_km_h} | rows.to_row(ball)
        try:
            id, self.trouble = self._add_ball(row, number, tracks), None
        except Fault as e:
            self.trouble = e
            if not tracks or file.code(e.__cause__) not in file.FULL:
                raise
            id = self._add_ball(row, number, [])
        return id

    def _zero_now(self, player: str | None, setup: int | None) -> int | None:
        """The standing zero that holds for a ball. The ball's own values stay raw."""
        found = self.zero(player, setup) if player and setup else None
        return found["id"] if found else None

    def complete_ball(self, ball: int, what: Ball, poses: Iterable[Pose] = (), thrown_ns: int | None = None) -> None:
        """The rest of a ball that was logged, and announced, when only its verdict was known: all numbers and traces.

        Of a player of whom no numbers are kept nothing is added. Where the disk is full, as in `add_ball`.
        """
        row = self._one("ball", ball)
        wall, thrown_ns = self._thrown(row["session"], thrown_ns if thrown_ns is not None else row["thrown_ns"])
        if self.may_keep(row["player"], wall.date()) == "none":
            return
        whole, tracks = rows.to_row(what) | {"thrown_utc": _utc(wall), "thrown_ns": thrown_ns}, _by_model(poses)
        try:
            self._complete_ball(ball, whole, tracks)
            self.trouble = None
        except Fault as e:
            self.trouble = e
            if not tracks or file.code(e.__cause__) not in file.FULL:
                raise
            self._complete_ball(ball, whole, [])

    def add_counted(self, session: str, number: int | None = None, **more: Any) -> int:
        """A ball that the camera did not see and somebody added by hand: it counts, nothing of it was measured."""
        return self.add_ball(session, rows.counted("added by hand"), number, source="added by hand", **more)

    def remove_counted(self, ball: int) -> None:
        """A ball that was added by hand was none. Balls that were seen stay."""
        if self._one("ball", ball)["source"] != "added by hand":
            raise Fault(f"to take back ball {ball}", "a ball that was seen", "take back only what was added by hand")
        with self.writing("to take a ball back") as db:
            db["ball"].delete(ball)

    def note_speed(self, ball: int, km_h: float | None) -> None:
        """What the radar said of a ball; None takes it back."""
        _within("a ball's speed in km/h", km_h, 20, 190)
        with self.writing("to note a ball's speed") as db:
            db["ball"].update(ball, {"ball_speed_km_h": km_h})

    def note_given(self, ball: int, word: str) -> None:
        """Feedback that the ball's schedule had not in it: the player asked for it."""
        with self.writing("to note what was given") as db:
            db["ball"].update(ball, {"feedback": word})

    def day(self, session: str) -> date:
        return self.wall(session).date()

    def wall(self, session: str) -> datetime:
        """The time that it is in this session, by the clock as it was when the session started, whoever set it since."""
        return self._thrown(session, None)[0]

    def note_cue(self, ball: int, kind: str, asked_ns: int, heard_ns: int | None, way: str | None = None) -> None:
        """The cue of a logged ball was asked for and heard (None: never). Released not seen: no lateness either."""
        row = self._one("ball", ball)
        late_s = None if heard_ns is None or row["br_s"] is None else (heard_ns - row["thrown_ns"]) / NS
        with self.writing("to note a cue") as db:
            db["ball"].update(ball, {"cue_kind": kind, "cue_asked_ns": asked_ns, "cue_heard_ns": heard_ns,
                                     "release_to_cue_s": late_s})
            self._feedback(db, ball, "cue", asked_ns, heard_ns, way)

    def note_feedback(self, ball: int, kind: str, asked_ns: int, happened_ns: int | None,
                      way: str | None = None) -> None:
        """Something else was given for a ball: "replay", "words", "summary"."""
        self._one("ball", ball)
        with self.writing("to note feedback") as db:
            self._feedback(db, ball, kind, asked_ns, happened_ns, way)

    # Clips and records. The files are kiosk/clips.py's business.

    def note_clip(self, ball: int, clip: Written, keep_until: date) -> int:
        """A clip file that is whole and on the disk belongs to this ball."""
        return self._insert("to note a clip", "clip", {
            "ball": self._one("ball", ball)["id"], "file": clip.file, "frames": len(clip.t_ns),
            "width_px": clip.width_px, "height_px": clip.height_px, "first_ns": clip.t_ns[0],
            "t_ns": rows.times(clip.t_ns), "bytes": clip.size, "sha256": clip.sha256,
            "keep_until": keep_until.isoformat(), "removed_utc": None})

    def forget_clips(self, clips: Iterable[int]) -> None:
        """These clips are kept no longer; their rows say since when."""
        now = self._utc()
        with self.writing("to forget clips") as db:
            for clip in clips:
                db["clip"].update(clip, {"removed_utc": now})

    def note_access(self, who: str, what: str, player: str | None = None) -> int:
        """Somebody looked at, or took out, a player's rows or clips."""
        row = {"utc": self._utc(), "who": who, "what": what, "player": player and self._one("player", player)["id"]}
        return self._insert("to note an access", "access", row)

    def erase_player(self, player: str) -> Row:
        """Everything of a player, rows and clips, out of the file's bytes too; what was erased, in numbers."""
        return erasing.player(self, self._one("player", player)["id"])

    def erase_session(self, session: str) -> Row:
        return erasing.session(self, self._one("session", session)["id"])

    # How

    def _insert(self, asked: str, table: str, row: Row) -> int:
        with self.writing(asked) as db:
            return db[table].insert(row).last_pk

    def _add_ball(self, row: Row, number: int | None, tracks: list[list[Pose]]) -> int:
        with self.writing("to log a ball") as db:
            if number is None:
                number = 1 + (db.execute("select max(number) from ball where session = ?",
                                         [row["session"]]).fetchone()[0] or 0)
            elif db["ball"].count_where("session = ? and number = ?", [row["session"], number]):
                raise Fault(f"to log ball {number} of the session {row['session']}", "a ball of that number",
                            "give the next number")
            id = db["ball"].insert({"number": number} | row).last_pk
            for track in tracks:
                db["trace"].insert({"ball": id} | rows.pack(track))
            return id

    def _complete_ball(self, ball: int, whole: Row, tracks: list[list[Pose]]) -> None:
        with self.writing("to complete a ball") as db:
            db["ball"].update(ball, whole)
            for track in tracks:
                db["trace"].insert({"ball": ball} | rows.pack(track))

    def _feedback(self, db: Database, ball: int, kind: str, asked_ns: int, happened_ns: int | None,
                  way: str | None) -> None:
        db["feedback"].insert({"ball": ball, "kind": kind, "asked_ns": asked_ns, "happened_ns": happened_ns,
                               "way": way})

    def _thrown(self, session: str, thrown_ns: int | None) -> tuple[datetime, int]:
        """Wall and monotonic time of a release, by the pair that was read when the session started in this run."""
        slept_ns = self.clock.slept_ns()
        if session not in self._walls:
            wall, now_ns = self.clock.utc_and_ns()
            self._walls[session] = wall, now_ns + slept_ns
        wall, then_ns = self._walls[session]
        thrown_ns = self.clock.now_ns() if thrown_ns is None else thrown_ns
        return wall + timedelta(microseconds=(thrown_ns + slept_ns - then_ns) // 1000), thrown_ns

    def _utc(self) -> str:
        return _utc(self.clock.utc_and_ns()[0])


def _new_id(db: Database, table: str, letter: str) -> str:
    """Short enough to type, and not in use."""
    for size in (2, 2, 2, 2, 3, 3, 4, 8):
        id = f"{letter}-{secrets.token_hex(size)}"
        if not db[table].count_where("id = ?", [id]):
            return id
    raise sqlite3.IntegrityError(f"no free id in {table}")


def _by_model(poses: Iterable[Pose]) -> list[list[Pose]]:
    tracks: dict[str, list[Pose]] = {}
    for pose in poses:
        tracks.setdefault(pose.model, []).append(pose)
    return list(tracks.values())


def _one_of(asked: str, value: str, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise Fault(asked, repr(value), f"give one of {', '.join(choices)}")


def _within(asked: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise Fault(asked, str(value), f"give {low} to {high}")


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True)


def _utc(wall: datetime) -> str:
    return wall.astimezone(timezone.utc).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _offset_min(wall: datetime) -> int:
    return round(wall.utcoffset().total_seconds() / 60)
