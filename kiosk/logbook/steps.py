"""Steps: the tables, as plain functions that each bring a log one version further, in order and one transaction each.

A step that was released is never changed; a new column is a new step at the end. Two may be listed again and again,
since they bring a table up to what the program knows: `measures` adds the columns of new quantities, `plain` makes the
views anew. Nothing here knows what the rows mean to people.
"""
from __future__ import annotations

from typing import Callable, Mapping, Sequence

from sqlite_utils import Database
from sqlite_utils.db import ForeignKey

from creaseside.rows import MEASURES
from kiosk.logbook import views

CASCADE, SET_NULL = "CASCADE", "SET NULL"


def step_up(db: Database, steps: Sequence[Callable[[Database], None]]) -> None:
    """Take the steps that this log has not taken yet. A step that fails leaves the log at the version before it."""
    for number in range(db.execute("pragma user_version").fetchone()[0], len(steps)):
        with db.atomic():
            steps[number](db)
            db.execute(f"pragma user_version = {number + 1}")


def people(db: Database) -> None:
    _table(db, "player", {"id": str, "shown_name": str, "arm": str, "birth_year": int, "age_group": str,
                          "height_m": float, "height_on": str, "created_utc": str}, ("shown_name", "created_utc"))
    _table(db, "consent", {"id": int, "player": str, "given_by": str, "role": str, "given_on": str, "until": str,
                           "may_keep": str, "note": str},
           ("player", "given_by", "role", "given_on", "may_keep"), {"player": ("player", CASCADE)})


def provenance(db: Database) -> None:
    """What a number traces to: the camera as it was set up, and the program as it ran."""
    _table(db, "setup", {"id": int, "hash": str, "made_utc": str, "width_px": int, "height_px": int, "marks": str,
                         "lens": str}, ("hash", "made_utc", "marks", "lens"), unique=[("hash",)])
    _table(db, "program", {"id": int, "started_utc": str, "version": str, "models": str, "settings": str},
           ("started_utc", "version", "models", "settings"))


def sessions(db: Database) -> None:
    _table(db, "session", {"id": str, "started_utc": str, "utc_offset_min": int, "ended_utc": str, "player": str,
                           "coach": str, "venue": str, "program": int, "setup": int, "measure": str,
                           "at_least": float, "at_most": float, "words": str, "plan": str},
           ("started_utc", "utc_offset_min"),
           {"player": ("player", SET_NULL), "program": ("program", SET_NULL), "setup": ("setup", SET_NULL)})
    _table(db, "block", {"id": int, "session": str, "ordinal": int, "kind": str, "planned_balls": int},
           ("session", "ordinal", "kind"), {"session": ("session", CASCADE)}, [("session", "ordinal")])
    _table(db, "zero", {"id": int, "player": str, "knee_deg": float, "sd_deg": float, "made_utc": str, "setup": int},
           ("player", "knee_deg", "made_utc"), {"player": ("player", CASCADE), "setup": ("setup", SET_NULL)})


def balls(db: Database) -> None:
    _table(db, "ball", {
        "id": int, "session": str, "player": str, "block": int, "number": int, "source": str, "thrown_utc": str,
        "utc_offset_min": int, "thrown_ns": int, "program": int, "setup": int, "zero": int, "arm": str,
        "front_leg_action": str, "quality": float, "flags": str, "not_measured": str, "verdict": str, "feedback": str,
        "cue_kind": str, "cue_asked_ns": int, "cue_heard_ns": int, "release_to_verdict_s": float,
        "release_to_cue_s": float, "ball_speed_km_h": float},
        ("session", "number", "source", "thrown_utc", "utc_offset_min", "thrown_ns", "quality", "flags",
         "not_measured", "feedback"),
        {"session": ("session", CASCADE), "player": ("player", CASCADE), "block": ("block", SET_NULL),
         "program": ("program", SET_NULL), "setup": ("setup", SET_NULL), "zero": ("zero", SET_NULL)},
        [("session", "number")])
    _table(db, "trace", {"id": int, "ball": int, "model": str, "dtype": str, "shape": str, "names": str,
                         "channels": str, "units": str, "missing": str, "t_ns": bytes, "frame": bytes, "data": bytes},
           ("ball", "model", "dtype", "shape", "names", "channels", "units", "missing", "t_ns", "frame", "data"),
           {"ball": ("ball", CASCADE)}, [("ball", "model")])
    _table(db, "clip", {"id": int, "ball": int, "file": str, "frames": int, "width_px": int, "height_px": int,
                        "first_ns": int, "t_ns": bytes, "bytes": int, "sha256": str, "keep_until": str,
                        "removed_utc": str},
           ("ball", "file", "frames", "width_px", "height_px", "first_ns", "t_ns", "bytes", "sha256", "keep_until"),
           {"ball": ("ball", CASCADE)}, [("ball",), ("file",)])


def measures(db: Database) -> None:
    """A typed column for every quantity that has none yet, and for its standard deviation."""
    there = {c.name for c in db["ball"].columns}
    for name in MEASURES:
        if name not in there:
            db.execute(f'alter table ball add column "{name}" real')   # FLOAT, the library's word, is no STRICT type


def records(db: Database) -> None:
    """What was given to players, who looked at what, and what was erased (counts, nobody's name)."""
    _table(db, "feedback", {"id": int, "ball": int, "kind": str, "asked_ns": int, "happened_ns": int, "way": str},
           ("ball", "kind"), {"ball": ("ball", CASCADE)})
    _table(db, "access", {"id": int, "utc": str, "who": str, "what": str, "player": str}, ("utc", "who", "what"),
           {"player": ("player", CASCADE)})
    _table(db, "erasure", {"id": int, "utc": str, "what": str, "sessions": int, "balls": int, "clips": int,
                           "pending": str}, ("utc", "what", "sessions", "balls", "clips"))


def view(db: Database) -> None:
    """`balls`, for people with a table viewer."""
    views.make(db, ["balls"])


def cards(db: Database) -> None:
    """The number of the card that a player holds to the camera; null: none was printed."""
    db.execute("alter table player add column card integer")
    db["player"].create_index(["card"], unique=True)


def heights(db: Database) -> None:
    """Every height of a player with its day; player.height_m stays the latest of them."""
    _table(db, "height", {"id": int, "player": str, "height_m": float, "measured_on": str},
           ("player", "height_m", "measured_on"), {"player": ("player", CASCADE)}, [("player", "measured_on")])
    db.execute("insert into height (player, height_m, measured_on) select id, height_m, coalesce(height_on, "
               "substr(created_utc, 1, 10)) from player where height_m is not null")


def guidance(db: Database) -> None:
    """The workload table in use, as its file said, a row each time that it changed: what held on which day."""
    _table(db, "guidance", {"id": int, "noted_utc": str, "text": str}, ("noted_utc", "text"))


def by_day(db: Database) -> None:
    """Who bowled when, and which balls have flags, without a look at every ball's own row."""
    db.execute("drop index if exists idx_ball_player")          # the first column of the next one serves for it
    db["ball"].create_index(["player", "thrown_utc"])
    db.execute("create index idx_ball_flagged on ball (player, session) where flags <> '[]'")


def stopped(db: Database) -> None:
    """When a player's session was stopped before its end; why is nobody's business and is not kept."""
    db.execute("alter table session add column stopped_utc text")


def pictures(db: Database) -> None:
    """What a consent to clips says of faces in pictures that leave the machine, and for how many days a clip is kept
    (null: as the settings say)."""
    db.execute("alter table consent add column faces text not null default 'blurred'")
    db.execute("alter table consent add column keep_days integer")


def plain(db: Database) -> None:
    """All views, as this program has them."""
    views.make(db)


def by_block(db: Database) -> None:
    """What points to a block or zero is found at once: erasing a player took 46 s at 100,000 balls (measured)."""
    for column in ("block", "zero"):
        db.execute(f"create index idx_ball_{column} on ball ({column}) where {column} is not null")


def by_time(db: Database) -> None:
    """The newest sessions, and who has balls with flags in these days, without a look at all that there are."""
    db["session"].create_index(["started_utc"])
    db.execute("drop index idx_ball_flagged")
    db.execute("create index idx_ball_flagged on ball (player, thrown_utc) where flags <> '[]'")


def bowled(db: Database) -> None:
    """How many balls each player bowled on each day, and how many of them have flags. SQLite itself keeps it with every ball
    that comes, goes, or turns out to be another player's, so that no way of writing can forget it; an index on flags is
    spared for it. The day is the one that the hall's clock showed, as in the view `days`."""
    _table(db, "bowled", {"id": int, "player": str, "day": str, "balls": int, "flagged": int},
           ("player", "day", "balls", "flagged"), {"player": ("player", CASCADE)}, [("player", "day")])
    day, flagged = "date({0}thrown_utc, {0}utc_offset_min || ' minutes')", "({0}flags <> '[]')"
    known = "{0}player is not null and " + day + " is not null"      # a ball with a rotten time stays a ball
    more = (f"insert into bowled (player, day, balls, flagged) select {{0}}player, {day}, 1, {flagged} where {known} "
            "on conflict (player, day) do update set balls = balls + 1, flagged = flagged + excluded.flagged;").format("new.")
    less = (f"update bowled set balls = balls - 1, flagged = flagged - {flagged} where player = {{0}}player and day = {day}; "
            f"delete from bowled where player = {{0}}player and day = {day} and balls = 0;").format("old.")
    was, now = (f"{of}player, {day.format(of)}, {flagged.format(of)}" for of in ("old.", "new."))
    for name, when, does in (("came", "insert on ball", more), ("went", "delete on ball", less),
                             ("changed", f"update of player, thrown_utc, utc_offset_min, flags on ball when ({was}) is not ({now})",
                              less + " " + more)):
        db.execute(f"create trigger ball_{name} after {when} begin {does} end")
    db.execute(f"insert into bowled (player, day, balls, flagged) select player, {day.format('')}, count(*), sum(flags <> '[]') "
               f"from ball where {known.format('')} group by 1, 2")
    db.execute("drop index idx_ball_flagged")


def edition(db: Database) -> None:
    """In which way a standing zero was read (`standing.edition`); null: in one from before there was this column."""
    db.execute("alter table zero add column joints text")


STEPS: tuple[Callable[[Database], None], ...] = (people, provenance, sessions, balls, measures, records, view, cards,
                                                 heights, guidance, by_day, stopped, pictures, plain, by_block,
                                                 by_time, bowled, edition)


def _table(db: Database, name: str, columns: dict[str, type], needed: Sequence[str] = (),
           refs: Mapping[str, tuple[str, str]] | None = None, unique: Sequence[tuple[str, ...]] = ()) -> None:
    """A strict table with the primary key `id`; refs: {column: (other table, what its deletion does here)}."""
    refs = refs or {}
    keys = [ForeignKey(name, column, other, "id", on_delete=rule) for column, (other, rule) in refs.items()]
    db[name].create(columns, pk="id", not_null={"id", *needed}, foreign_keys=keys, strict=True)
    for index in unique:
        db[name].create_index(index, unique=True)
    for column, (_, rule) in refs.items():     # every index is one more page to sync a ball
        if rule == CASCADE and not any(index[0] == column for index in unique):
            db[name].create_index([column])
