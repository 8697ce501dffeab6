"""Ball page: everything that is known of one ball: its clip frame by frame, its knees over time, and every number with
its sd or the reason why there is none."""
from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Mapping, Sequence

import numpy as np

from creaseside import standing
from creaseside.ball import QUANTITIES, Value
from creaseside.legs import Legs, legs
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp, to_ns
from kiosk import avi, clips
from kiosk.faults import Fault
from kiosk.logbook.reading import Row
from kiosk.marks import of_row
from kiosk.review import charts, words
from kiosk.review.asking import Asker, local, value
from kiosk.review.look import Figure, Links

CLIP = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\.avi")      # a clip's name in the log; anything else names no file here
EVENTS = (("bfc_s", "back foot"), ("ffc_s", "front foot"), ("br_s", "release"))
KNEE = "front_knee_ffc_deg"
SAME_NS = 2_000_000      # a look and a frame this near are of one picture


@dataclass(frozen=True, slots=True)
class Pictures:
    """The frames of a ball's clip: how many, their times on the stamps' axis, and their size. veiled: the ball's looks,
    where no face may be shown."""

    file: Path
    t_ns: tuple[int, ...]
    width_px: int
    height_px: int
    veiled: tuple[Pose, ...] | None = None

    def frame(self, number: int) -> bytes | None:
        """Its JPEG; None where there is no such frame, or its face cannot be hidden."""
        jpeg = avi.frame(self.file, number) if 0 <= number < len(self.t_ns) else None
        if jpeg is None or self.veiled is None:
            return jpeg
        from kiosk.exports import veil
        return next((hidden for _, hidden in veil.clip([(Stamp(number, self.t_ns[number]), jpeg)], self.veiled)), None)


def pictures(log: Asker, ball: Mapping[str, Any], shared: bool = False) -> tuple[Pictures | None, str]:
    """The clip's frames, or None and why there are none to be seen. shared: they would leave this machine."""
    clip = log.clip(ball["id"])
    today = log.today()
    if clip is None:
        return None, "No pictures of this ball are kept."
    if clip["keep_until"] <= today.isoformat() or not clips.may_keep_pictures(log, ball["player"], today):
        return None, "The consent to these pictures, or their time, is over; the kiosk's next start removes them."
    file = log.place.clips / clip["file"] if CLIP.fullmatch(clip["file"]) else None
    if file is None or not file.is_file() or file.is_symlink():
        return None, "The clip's file is not in the clips folder."
    veiled = None
    if shared and log.faces(ball["player"], today) != "shown":
        veiled = tuple(p for poses in log.traces(ball["id"]).values() for p in poses)
    return Pictures(file, clip["t_ns"], clip["width_px"], clip["height_px"], veiled), ""


def view(log: Asker, session: str, number: int, frame: int | None, links: Links, shared: bool = False) \
        -> dict[str, Any]:
    """What the template wants. Fault where there is no such ball."""
    of = log.session(session)
    ball = log.numbered(session, number)
    if ball is None:
        raise Fault(f"ball {number} of the session {session}", "no such ball", "choose one on the session's page")
    shown, why = pictures(log, ball, shared)
    walked, untold = _legs(log, ball)
    origin_ns = _origin_ns(ball)
    at = _frame(frame, shown, ball, origin_ns)
    given = log.feedback(ball["id"])
    return {
        "session": of, "ball": ball, "at": local(ball["thrown_utc"], ball["utc_offset_min"]),
        "player": log.player(ball["player"]) if ball["player"] else None, "flags": json.loads(ball["flags"]),
        "gate": of["measure"] and words.gate(of["measure"], of["at_least"], of["at_most"]),
        "focus": of["measure"] and (words.name(of["measure"]),
                                    words.with_sd(of["measure"], value(ball, of["measure"]))),
        "verdict": words.VERDICTS.get(ball["verdict"], "not judged"), "given": [_given(g, ball) for g in given],
        "picture": shown and _picture(shown, at, walked, ball, origin_ns, of, links), "no_picture": why,
        "knees": _knees(walked, untold, ball, origin_ns, shown.t_ns[at] if shown else None), "numbers": _numbers(ball),
        "player_key": ball["player"] or "guest", "zero": _zero(log, ball), "trail": _trail(log, ball)}


def _origin_ns(ball: Mapping[str, Any]) -> int | None:
    """The moment at which the ball's own times are 0, on the stamps' axis; None where no event was seen."""
    seen = next((ball[e] for e in ("br_s", "ffc_s", "bfc_s") if ball[e] is not None), None)
    return None if seen is None else ball["thrown_ns"] - to_ns(seen)


def _legs(log: Asker, ball: Mapping[str, Any]) -> tuple[Legs | None, str]:
    traces = log.traces(ball["id"])
    if not traces:
        return None, "no trace of this ball is kept"
    if ball["arm"] is None:
        return None, "the bowling arm is not known"
    camera = None
    if ball["setup"]:
        try:
            camera = of_row(log.setup(ball["setup"])).solved()
        except Fault:
            camera = None
    found = legs(traces, camera, ball["arm"], ball["thrown_ns"] / NS, ball["run_up_speed_m_s"])
    return found, "" if found else "too few looks in its trace"


def _frame(asked: int | None, shown: Pictures | None, ball: Mapping[str, Any], origin_ns: int | None) -> int:
    """Which frame is shown: the one asked for, else the one at front foot contact."""
    if shown is None:
        return 0
    if asked is not None:
        return min(max(asked, 0), len(shown.t_ns) - 1)
    return _nearest(shown.t_ns, origin_ns, ball["ffc_s"] if ball["ffc_s"] is not None else ball["br_s"])


def _nearest(t_ns: Sequence[int], origin_ns: int | None, at_s: float | None) -> int:
    if origin_ns is None or at_s is None:
        return 0
    return int(np.abs(np.asarray(t_ns) - (origin_ns + to_ns(at_s))).argmin())


def _picture(shown: Pictures, at: int, walked: Legs | None, ball: Row, origin_ns: int | None, of: Row,
             links: Links) -> dict[str, Any]:
    """One frame, the leg on it where it was looked at, and the ways to other frames."""
    leg = None
    if walked is not None:
        near = np.abs(walked.t_s * NS - shown.t_ns[at])
        i = int(near.argmin())
        points = walked.leg_px[i]
        if near[i] <= SAME_NS and np.isfinite(points).all():
            leg = " ".join(f"{x:.1f},{y:.1f}" for x, y in points.tolist())

    def to(frame: int) -> str | None:
        return links.ball(of["id"], ball["number"], frame=min(max(frame, 0), len(shown.t_ns) - 1))

    jumps = [(name, to(_nearest(shown.t_ns, origin_ns, ball[event]))) for event, name in EVENTS
             if ball[event] is not None and origin_ns is not None]
    since = ""
    if origin_ns is not None and ball["ffc_s"] is not None:
        ms = 1000 * (shown.t_ns[at] - origin_ns - to_ns(ball["ffc_s"])) / NS
        since = f"{ms:+.0f} ms from front foot contact".replace("-", "−")
    return {"frame": at, "frames": len(shown.t_ns), "width": shown.width_px, "height": shown.height_px, "leg": leg,
            "src": f"/sessions/{of['id']}/balls/{ball['number']}/frames/{at}.jpg", "before": to(at - 1),
            "after": to(at + 1), "jumps": jumps, "since": since, "veiled": shown.veiled is not None}


def _knees(walked: Legs | None, untold: str, ball: Row, origin_ns: int | None, now_ns: int | None) -> Figure:
    title = "Knees over time"
    if walked is None or origin_ns is None:
        return Figure("knees", title, f"No knee angles over time: {untold or 'no event of this ball was seen'}.", None,
                      (), ())
    zero_s = origin_ns / NS + (ball["ffc_s"] if ball["ffc_s"] is not None else ball["br_s"] or 0.0)
    ms = 1000 * (walked.t_s - zero_s)
    near = (ms > -420) & (ms < 260)
    ms, front, back = ms[near], walked.front_deg[near], walked.back_deg[near]
    says = ("Front knee (line) and back knee (dashes) through the delivery stride, as each of "
            f"{words.count(len(ms), 'look')} read them; 180° is straight, 0 ms is front foot contact.")
    if not len(ms):
        return Figure("knees", title, "No looks near the landing.", None, (), ())
    x = charts.Scale(float(ms.min()) - 10, float(ms.max()) + 10, charts.LEFT, charts.WIDTH - charts.RIGHT)
    y = charts.Scale.up([*front.tolist(), *back.tolist(), 180.0], 320, 46)
    made = [charts.up_axis(y, "°"), *(charts.text(x(t), 320 - 26, f"{t:.0f}".replace("-", "−"))
                                      for t in charts.ticks(x.low, x.high, 10)),
            charts.text(charts.WIDTH / 2, 320 - 8, "milliseconds from front foot contact")]
    for i, (event, name) in enumerate(EVENTS):
        if ball[event] is not None:
            at = x.clipped(1000 * (origin_ns / NS + ball[event] - zero_s))
            made += [charts.line(at, charts.TOP, at, 320 - 46, "event"),
                     charts.text(at + 4, charts.TOP + 10 + 14 * (i % 2), name, "start")]
    if now_ns is not None and x.low <= (now := 1000 * (now_ns / NS - zero_s)) <= x.high:
        made.append(charts.line(x(now), charts.TOP, x(now), 320 - 46, "now"))
    made += [charts.path([(x(a), y(b)) for a, b in zip(ms.tolist(), back.tolist())], "curve back"),
             charts.path([(x(a), y(b)) for a, b in zip(ms.tolist(), front.tolist())], "curve")]
    rows = [[f"{a:.0f}".replace("-", "−"), *("–" if not np.isfinite(v) else f"{v:.0f}°" for v in both)] for a,
            *both in zip(ms, front, back)]
    return Figure("knees", title, says, charts.svg(says, *made, height=320), ("ms", "Front knee", "Back knee"), rows,
                  "Single looks, as the model read them: the logged knee at a contact is a robust line through the "
                  "looks after it, with its error, and stands in the table of numbers.")


def _numbers(ball: Row) -> Figure:
    reasons = json.loads(ball["not_measured"])
    rows = []
    for q in QUANTITIES:
        v = value(ball, q.name)
        rows.append([words.name(q.name), words.with_sd(q.name, v) if v else "not measured",
                     q.meaning if v else reasons.get(q.name, "not seen")])
    action = ball["front_leg_action"]
    rows.append(["front leg action", words.ACTIONS[action] if action else "not measured",
                 "10° rule of Portus et al. 2004" if action else reasons.get("front_leg_action", "not seen")])
    n = sum(ball[q.name] is not None for q in QUANTITIES)
    says = (f"{words.count(n, 'number').capitalize()} of {len(QUANTITIES)} measured, each ± one standard deviation; "
            "the others with the reason why not.")
    return Figure("numbers", "Every number", says, None,
                  ("What", "Value ± sd", "What it is, or why there is none"), rows)


def _given(of: Row, ball: Row) -> str:
    """One thing that was given, and how long after the release."""
    if of["happened_ns"] is None:
        return f"{of['kind']}: asked for, never came"
    if ball["br_s"] is None:
        return of["kind"]
    return f"{of['kind']} {(of['happened_ns'] - ball['thrown_ns']) / NS:.1f} s after release"


def _zero(log: Asker, ball: Row) -> str:
    """What the player's own straight reads and the front knee against it, where the ball points to one."""
    found = log.ask("select knee_deg, sd_deg, made_utc from zero where id = :id", {"id": ball["zero"]})
    if not found:
        return ""
    straight = Value(found[0]["knee_deg"], found[0]["sd_deg"])
    told = [f"This player's own straight reads {words.with_sd(KNEE, straight)} (standing zero of "
            f"{words.day(local(found[0]['made_utc'], ball['utc_offset_min']).date())})"]
    if against := standing.corrected(value(ball, KNEE), straight):
        told.append(f"with that as 180° the front knee at landing is {words.with_sd(KNEE, against)}")
    return "; ".join(told) + ". The knees above are as they were measured, without it."


def _trail(log: Asker, ball: Row) -> str:
    """Where the numbers come from."""
    parts = [f"ball {ball['id']} of the log"]
    if ball["program"]:
        parts.append(f"creaseside {log.program(ball['program'])['version']}")
    if ball["setup"]:
        parts.append(f"camera set-up {log.setup(ball['setup'])['hash'][:8]}")
    return ", ".join(parts)
