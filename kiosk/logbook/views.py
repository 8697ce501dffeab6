"""Views: the log as people with a table viewer see it: plain columns, units in their names, ids in place of names.

What stands here is made into SQL views by the step `views`, each column with its meaning beside it in the view's text.
A view holds nothing of its own; the tables are in `steps`.
"""
from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping, Sequence

from sqlite_utils import Database

from creaseside.ball import QUANTITIES


@dataclass(frozen=True, slots=True)
class Column:
    """type: text, integer or real. unit: empty for a word or a count. sql: what it is in the tables."""

    name: str
    type: str
    unit: str
    meaning: str
    sql: str = ""


def _of(table: str, name: str, type: str, unit: str, meaning: str, column: str = "") -> Column:
    return Column(name, type, unit, meaning, f"{table}.{column or name}")


def _values() -> Sequence[Column]:
    return [c for q in QUANTITIES for c in (
        _of("ball", q.name, "real", q.unit, q.meaning),
        _of("ball", q.name + "_sd", "real", q.unit, "standard deviation of the same"))]


BALLS = (
    _of("ball", "id", "integer", "", "the ball's row"),
    _of("ball", "session", "text", "", "the session's id"),
    _of("ball", "number", "integer", "", "1-based in the session"),
    _of("ball", "player", "text", "", "the player's id, never a name; null: not known"),
    _of("session", "venue", "text", "", "free words"),
    _of("session", "measure", "text", "", "what was judged"),
    _of("session", "at_least", "real", "", "lower post of the gate, in the measure's unit"),
    _of("session", "at_most", "real", "", "upper post"),
    _of("block", "block", "integer", "", "1-based in the session", "ordinal"),
    _of("block", "block_kind", "text", "", "warm_up, baseline, focus, no_feedback or free", "kind"),
    _of("ball", "source", "text", "", "'seen' or 'added by hand'"),
    _of("ball", "thrown_utc", "text", "UTC", "when the ball was released"),
    _of("ball", "utc_offset_min", "integer", "min", "by which local time was ahead of UTC"),
    _of("ball", "thrown_ns", "integer", "ns", "the release on the monotonic axis of that run"),
    _of("ball", "program", "integer", "", "row of the program that ran"),
    _of("ball", "setup", "integer", "", "row of the camera's set-up"),
    _of("ball", "zero", "integer", "", "row of the player's standing zero"),
    _of("clip", "clip", "text", "", "file in the clips folder; null where none is kept", "file"),
    _of("ball", "arm", "text", "", "right or left"),
    _of("ball", "verdict", "text", "", "hit, miss or unsure; null without a focus"),
    _of("ball", "feedback", "text", "", "what the player was given"),
    _of("ball", "release_to_verdict_s", "real", "s", "measured by the kiosk"),
    _of("ball", "release_to_cue_s", "real", "s", "measured by the kiosk"),
    _of("ball", "ball_speed_km_h", "real", "km/h", "read off a radar and typed in"),
    _of("ball", "quality", "real", "0 to 1", "how well the ball could be measured"),
    _of("ball", "flags", "text", "JSON", "list of plain words"),
    _of("ball", "front_leg_action", "text", "", "flexor, extender, flexor_extender or constant_brace"),
    *_values(),
    _of("ball", "not_measured", "text", "JSON", "why a number is missing"),
)

SESSIONS = (
    _of("session", "id", "text", "", "the session's id"),
    _of("session", "started_utc", "text", "UTC", "when it began"),
    _of("session", "utc_offset_min", "integer", "min", "by which local time was ahead of UTC"),
    _of("session", "ended_utc", "text", "UTC", "when it ended; null: it was cut off, or goes on"),
    _of("session", "stopped_utc", "text", "UTC", "when it was stopped before its end; no reason is kept"),
    _of("session", "player", "text", "", "whose session it was; null: several, or not known"),
    _of("session", "venue", "text", "", "free words"),
    _of("session", "measure", "text", "", "what was judged"),
    _of("session", "at_least", "real", "", "lower post of the gate, in the measure's unit"),
    _of("session", "at_most", "real", "", "upper post"),
    _of("session", "plan", "text", "JSON", "the blocks as they were planned"),
    _of("program", "version", "text", "", "of the program that ran"),
    Column("balls", "integer", "", "how many", "(select count(*) from ball where session = session.id)"),
)

BLOCKS = (
    _of("block", "session", "text", "", "the session's id"),
    _of("block", "block", "integer", "", "1-based in the session", "ordinal"),
    _of("block", "kind", "text", "", "warm_up, baseline, focus, no_feedback or free"),
    _of("block", "planned_balls", "integer", "", "null: without end"),
    Column("balls", "integer", "", "that were bowled in it",
           "(select count(*) from ball where ball.session = block.session and ball.block = block.id)"),
)

PLAYERS = (
    _of("player", "id", "text", "", "the player's id; the shown name is in the table player"),
    _of("player", "arm", "text", "", "the bowling arm, right or left"),
    _of("player", "birth_year", "integer", "", "null: not known"),
    _of("player", "age_group", "text", "", "adult, or u8 to u19"),
    _of("player", "height_m", "real", "m", "the latest"),
    _of("player", "height_on", "text", "", "the day on which it was measured"),
    _of("consent", "keeps", "text", "", "the latest consent's word: none, numbers or clips; null: none was given",
        "may_keep"),
    _of("consent", "consent_until", "text", "", "its last day; null: it has no end", "until"),
    Column("balls", "integer", "", "of the player, in all sessions",
           "(select count(*) from ball where player = player.id)"),
)

DAYS = (
    _of("ball", "player", "text", "", "the player's id"),
    Column("day", "text", "", "the local day", "date(ball.thrown_utc, ball.utc_offset_min || ' minutes')"),
    Column("balls", "integer", "", "that were bowled on it, warm-up and all", "count(*)"),
    Column("sessions", "integer", "", "in which they were bowled", "count(distinct ball.session)"),
)

FEEDBACKS = (
    _of("ball", "session", "text", "", "the session's id"),
    _of("ball", "number", "integer", "", "of the ball, 1-based in the session"),
    _of("feedback", "kind", "text", "", "cue, replay, words or summary"),
    _of("feedback", "way", "text", "", "how it was given"),
    _of("feedback", "asked_ns", "integer", "ns", "on the monotonic axis of that run"),
    _of("feedback", "happened_ns", "integer", "ns", "null: it never happened"),
    Column("late_s", "real", "s", "from asked to happened", "(feedback.happened_ns - feedback.asked_ns) / 1e9"),
)

CLIPS = (
    _of("ball", "session", "text", "", "the session's id"),
    _of("ball", "number", "integer", "", "of the ball, 1-based in the session"),
    _of("ball", "player", "text", "", "the player's id"),
    _of("clip", "file", "text", "", "in the clips folder"),
    _of("clip", "frames", "integer", "", "how many"),
    _of("clip", "bytes", "integer", "", "size of the file"),
    _of("clip", "keep_until", "text", "", "the first day on which it is kept no longer"),
)

LATEST = "(select id from consent where player = player.id order by given_on desc, id desc limit 1)"
VIEWS: Mapping[str, tuple[tuple[Column, ...], str]] = {
    "balls": (BALLS, "from ball join session on session.id = ball.session\nleft join block on block.id = ball.block\n"
                     "left join clip on clip.ball = ball.id and clip.removed_utc is null\n"
                     "order by session.started_utc, ball.number"),
    "sessions": (SESSIONS, "from session left join program on program.id = session.program\norder by started_utc"),
    "blocks": (BLOCKS, "from block join session on session.id = block.session\norder by started_utc, ordinal"),
    "players": (PLAYERS, f"from player left join consent on consent.id = {LATEST}\norder by player.created_utc"),
    "days": (DAYS, "from ball where ball.player is not null\ngroup by ball.player, day\norder by day, ball.player"),
    "feedbacks": (FEEDBACKS, "from feedback join ball on ball.id = feedback.ball\norder by feedback.id"),
    "clips": (CLIPS, "from clip join ball on ball.id = clip.ball\nwhere clip.removed_utc is null\norder by clip.id"),
}


def make(db: Database, names: Sequence[str] = tuple(VIEWS)) -> None:
    """These views anew."""
    for name in names:
        columns, rest = VIEWS[name]
        texts = [f"  {c.sql} as {c.name}{',' if c is not columns[-1] else ''}  -- {c.unit and c.unit + ': '}{c.meaning}"
                 for c in columns]
        db.create_view(name, "select\n" + "\n".join(texts) + "\n" + rest, replace=True)
