"""Errors: measured balls against true ones: which ball is which, and what the differences come to, measure by measure.

Error is measured less true. Pure: mappings by the log's names in, numbers out. It says how wrong the program was on
footage whose truth is known; of real bowlers it says nothing.
"""
from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Iterable, Mapping, Sequence

import numpy as np

from creaseside.ball import QUANTITIES

SAME_BALL_S = 0.15                       # two front foot contacts nearer than this are the same ball's
EVENTS = ("bfc_s", "ffc_s", "br_s")
MEASURES = tuple(q.name for q in QUANTITIES if q.name not in EVENTS)
KNEE = "front_knee_ffc_deg"
GROSS_DEG = 5.0                          # a knee that is wrong by more should have been flagged
FEWEST = 3                               # balls that tell a spread
SURE = 1.96                              # sd either side of a value: 95 of 100, where the error is normal

Ball = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Compared:
    """One clip's balls: (true, measured) pairs, true ones that were not found, measured ones that nobody bowled."""

    clip: str
    pairs: tuple[tuple[Ball, Ball], ...]
    missed: tuple[Ball, ...]
    invented: tuple[Ball, ...]
    conditions: Mapping[str, str]
    delivery: str = ""

    def counts(self) -> dict[str, int]:
        return {"balls_true": len(self.pairs) + len(self.missed), "balls_found": len(self.pairs),
                "balls_invented": len(self.invented)}


def compare(clip: str, true: Sequence[Ball], found: Sequence[Ball],
            conditions: Mapping[str, str] | None = None, delivery: str = "") -> Compared:
    """Every measured ball to the nearest true one that is near enough, the nearest pairs first; each once."""
    near = sorted((apart, i, j) for i, t in enumerate(true) for j, f in enumerate(found)
                  if (apart := _apart_s(t, f)) < SAME_BALL_S)
    of_true: dict[int, int] = {}
    for _, i, j in near:
        if i not in of_true and j not in of_true.values():
            of_true[i] = j
    return Compared(clip, tuple((true[i], found[j]) for i, j in sorted(of_true.items())),
                    tuple(t for i, t in enumerate(true) if i not in of_true),
                    tuple(f for j, f in enumerate(found) if j not in of_true.values()), dict(conditions or {}), delivery)


def _apart_s(true: Ball, found: Ball) -> float:
    """Between front foot contacts; between releases where the measured ball has no such contact."""
    name = "ffc_s" if found.get("ffc_s") is not None else "br_s"
    return abs(found[name] - true[name]) if found.get(name) is not None else math.inf


def summary(clips: Sequence[Compared]) -> dict[str, Any]:
    """Everything that `creaseside check --json` says."""
    return {**_counts(clips), "measures": {name: of_measure(clips, name) for name in MEASURES},
            "events_ms": {name.removesuffix("_s"): of_measure(clips, name, 1000.0) for name in EVENTS},
            "front_leg_action": _agreed(clips, "front_leg_action"), "arm": _agreed(clips, "arm"),
            "unflagged_knee": unflagged(clips), "repeated": repeated(clips), "conditions": _by_condition(clips),
            "clips": [{"clip": c.clip, **c.counts(), **_knee(c)} for c in clips]}


def of_measure(clips: Iterable[Compared], name: str, scale: float = 1.0) -> dict[str, Any]:
    """n, share of the true balls measured, RMSE, bias, 95 % limits (bias ± 1.96 SD), share within 1.96 of its own sd,
    worst. Only balls whose truth is known count. None where there are too few balls for it.
    """
    errors, known, sure = [], 0, []
    for clip in clips:
        known += sum(t.get(name) is not None for t, _ in clip.pairs) + sum(t.get(name) is not None for t in clip.missed)
        for true, found in clip.pairs:
            if true.get(name) is None or found.get(name) is None:
                continue
            errors.append(error(name, true, found))
            if found.get(name + "_sd") is not None:
                sure.append(abs(errors[-1]) <= SURE * found[name + "_sd"])
    return _numbers(np.array(errors) * scale, known) | {"within_1_96_sd": _share(sum(sure), len(sure))}


def error(name: str, true: Ball, found: Ball) -> float:
    """Measured less true; angles the short way round."""
    off = found[name] - true[name]
    return (off + 180.0) % 360.0 - 180.0 if name.endswith("_deg") else off


def _numbers(errors: np.ndarray, known: int) -> dict[str, Any]:
    n = len(errors)
    bias = float(errors.mean()) if n else None
    spread = SURE * float(errors.std(ddof=1)) if n > 1 else None
    return {"n": n, "measured_share": _share(n, known),
            "rmse": _round(float(np.sqrt((errors**2).mean()))) if n else None, "bias": _round(bias),
            "limits95": [_round(bias - spread), _round(bias + spread)] if n > 1 else None,
            "worst": _round(float(errors[np.abs(errors).argmax()])) if n else None}


def plain(clips: Sequence[Compared], readings: Mapping[str, Sequence[float | None]]) -> dict[str, Any]:
    """The plain way's front knee, in all and by how it was filmed: one reading (or None) for every true ball of a clip, in its
    order."""
    return {KNEE: _plain(clips, readings),
            "conditions": {name: {how: _plain(part, readings) for how, part in ways.items()} for name, ways in _ways(clips).items()}}


def _plain(clips: Sequence[Compared], readings: Mapping[str, Sequence[float | None]]) -> dict[str, Any]:
    errors, known = [], 0
    for clip in clips:
        true = sorted([*(t for t, _ in clip.pairs), *clip.missed], key=lambda t: t["ffc_s"])
        known += len(true)
        errors += [r - t[KNEE] for t, r in zip(true, readings[clip.clip]) if r is not None]
    return _numbers(np.array(errors, float), known)


def unflagged(clips: Iterable[Compared]) -> dict[str, Any]:
    """The front knees of balls without any flag: n, the worst error, how many are wrong by more than GROSS_DEG."""
    off = np.array([error(KNEE, t, f) for c in clips for t, f in c.pairs
                    if not f.get("flags") and None not in (t.get(KNEE), f.get(KNEE))], float)
    return {"n": len(off), "worst": _round(float(off[np.abs(off).argmax()])) if len(off) else None,
            "gross": int((np.abs(off) > GROSS_DEG).sum())}


def repeated(clips: Iterable[Compared]) -> dict[str, Any]:
    """One delivery filmed from several places: the spread of what was measured of it, as the sd within deliveries, over all that
    were filmed at least FEWEST times at 60 frames a second or more. None where there are none."""
    of: dict[str, list[Ball]] = {}
    for clip in clips:
        if clip.delivery and float(clip.conditions.get("fps", 60)) >= 60:
            of.setdefault(clip.delivery, []).extend(f for _, f in clip.pairs)
    often = [balls for balls in of.values() if len(balls) >= FEWEST]
    out: dict[str, Any] = {"deliveries": len(often), "balls": sum(map(len, often))}
    for name in MEASURES:
        parts = [[b[name] for b in balls if b.get(name) is not None] for balls in often]
        parts = [np.array(p, float) for p in parts if len(p) >= FEWEST]
        free = sum(len(p) - 1 for p in parts)
        out[name] = _round(float(np.sqrt(sum(((p - p.mean()) ** 2).sum() for p in parts) / free))) if free else None
    return out


def _counts(clips: Iterable[Compared]) -> dict[str, int]:
    total = {"balls_true": 0, "balls_found": 0, "balls_invented": 0}
    for clip in clips:
        for name, n in clip.counts().items():
            total[name] += n
    return total


def _ways(clips: Sequence[Compared]) -> dict[str, dict[str, list[Compared]]]:
    """How it was filmed -> each way of it -> the clips."""
    out: dict[str, dict[str, list[Compared]]] = {}
    for name in dict.fromkeys(n for c in clips for n in c.conditions):
        for how in sorted({c.conditions[name] for c in clips if name in c.conditions}, key=lambda w: (len(w), w)):
            out.setdefault(name, {})[how] = [c for c in clips if c.conditions.get(name) == how]
    return out


def _by_condition(clips: Sequence[Compared]) -> dict[str, dict[str, Any]]:
    """How it was filmed -> each way of it -> balls, and the errors of every measure and event."""
    return {name: {how: {**_counts(part), "unflagged_knee": unflagged(part), **{m: of_measure(part, m) for m in MEASURES},
                         **{e.removesuffix("_s") + "_ms": of_measure(part, e, 1000.0) for e in EVENTS}}
                   for how, part in ways.items()} for name, ways in _ways(clips).items()}


def _agreed(clips: Iterable[Compared], name: str) -> dict[str, Any]:
    same = [t[name] == f[name] for c in clips for t, f in c.pairs if t.get(name) and f.get(name)]
    return {"n": len(same), "same_share": _share(sum(same), len(same))}


def _knee(clip: Compared) -> dict[str, Any]:
    return {"front_knee_ffc_error_deg": [_round(error(KNEE, t, f)) if None not in (t.get(KNEE), f.get(KNEE)) else None
                                         for t, f in clip.pairs]}


def _share(n: int, of: int) -> float | None:
    return round(n / of, 4) if of else None


def _round(x: float | None) -> float | None:
    return None if x is None else round(x, 4)


# --- the table for people ---------------------------------------------------------------------------------------------

# What a line of the conditions has room for: heading, measure, scale. Degrees, milliseconds, centimetres, m/s.
COLUMNS = (("knee", KNEE, 1.0), ("min", "front_knee_min_deg", 1.0), ("br", "front_knee_br_deg", 1.0),
           ("back", "back_knee_bfc_deg", 1.0), ("b.min", "back_knee_min_deg", 1.0), ("appr", "approach_deg", 1.0),
           ("turn", "turn_deg", 1.0), ("stride", "stride_length_m", 100.0), ("offset", "front_foot_offset_m", 100.0),
           ("speed", "run_up_speed_m_s", 1.0), ("kept", "speed_kept", 1.0), ("bound", "bound_height_m", 100.0),
           ("lean", "trunk_lean_ffc_deg", 1.0), ("l.br", "trunk_lean_br_deg", 1.0), ("arm", "arm_delay_deg", 1.0),
           ("BFC", "bfc_ms", 1.0), ("FFC", "ffc_ms", 1.0), ("BR", "br_ms", 1.0))
REPEATED = (KNEE, "approach_deg", "stride_length_m", "run_up_speed_m_s")

def table(found: Mapping[str, Any]) -> str:
    """`summary` as text: one line a measure."""
    head = f"{'':<22}{'n':>5}{'measured':>10}{'RMSE':>9}{'bias':>9}   {'95 % limits':<20}{'in 1.96 sd':>11}{'worst':>9}"
    lines = [f"{found['balls_true']} balls, {found['balls_found']} found, {found['balls_invented']} invented", head]
    lines += [_line(name + " ms", row, 1) for name, row in found["events_ms"].items()]
    lines += [_line(name, row, 1 if name.endswith("_deg") else 3) for name, row in found["measures"].items()]
    for name, words in (("front_leg_action", "front leg action as in truth"), ("arm", "bowling arm as in truth")):
        lines.append(f"{words}: {_percent(found[name]['same_share'])} of {found[name]['n']}")
    knee = found["unflagged_knee"]
    if knee["n"]:
        lines.append(f"front knees without a flag: {knee['n']}, worst {knee['worst']:.1f} deg, {knee['gross']} off by more than {GROSS_DEG:g}")
    if found["repeated"]["balls"]:
        lines.append(_repeated_line(found["repeated"]))
    if "plain" in found:
        lines += ["", f"the plain way, {found['plain']['model']} model:", _line(KNEE, found["plain"][KNEE], 1)]
    if found["conditions"]:
        lines += ["", *_condition_lines(found)]
    return "\n".join(lines)


def _repeated_line(row: Mapping[str, Any]) -> str:
    spread = ", ".join(f"{name} {row[name]:.{1 if name.endswith('_deg') else 3}f}" for name in REPEATED if row[name] is not None)
    return f"the same delivery from elsewhere ({row['balls']} balls of {row['deliveries']}), sd: {spread}"


def _line(name: str, row: Mapping[str, Any], decimals: int) -> str:
    def number(x: float | None) -> str:
        return "-" if x is None else f"{x:.{decimals}f}"

    low, high = row["limits95"] or (None, None)
    limits = f"{number(low)} to {number(high)}" if row["limits95"] else "-"
    return (f"{name:<22}{row['n']:>5}{_percent(row['measured_share']):>10}{number(row['rmse']):>9}"
            f"{number(row['bias']):>9}   {limits:<20}{_percent(row.get('within_1_96_sd')):>11}"
            f"{number(row['worst']):>9}")


def _condition_lines(found: Mapping[str, Any]) -> list[str]:
    """One block for the root mean squares and one for the shares within 1.96 sd: a line for each way of filming."""
    lines = []
    for title, key in (("RMSE", "rmse"), ("% within 1.96 sd", "within_1_96_sd")):
        lines += [f"{title:<22}{'balls':>6}{'found':>6}" + "".join(f"{short:>7}" for short, _, _ in COLUMNS)
                  + (f"{'plain':>7}" if "plain" in found and key == "rmse" else "")]
        for name, ways in found["conditions"].items():
            for how, row in ways.items():
                cells = [_cell(row[measure][key], 2 if key == "rmse" else 0, scale if key == "rmse" else 100.0)
                         for _, measure, scale in COLUMNS]
                if "plain" in found and key == "rmse":
                    cells.append(_cell(found["plain"]["conditions"][name][how]["rmse"], 2, 1.0))
                lines.append(f"{name + ' ' + how:<22}{row['balls_true']:>6}{row['balls_found']:>6}" + "".join(cells))
        lines.append("")
    return lines[:-1]


def _cell(x: float | None, decimals: int, scale: float) -> str:
    return f"{'-' if x is None else f'{x * scale:.{decimals}f}':>7}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.0f} %"
