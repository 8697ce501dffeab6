"""People: rules about players' names, ages and consent. Pure: rows in, answers out.

Where an age is not known for sure the person is treated as under 18. Filming under-18s needs a parent's or carer's
written consent (ECB Safe Hands guidance, as clubs publish it); without any consent no picture is kept of anyone.
"""
from __future__ import annotations

import re
import unicodedata
from datetime import date
from typing import Any, Mapping, Sequence

from kiosk.faults import Fault

KEEP = ("none", "numbers", "clips")
FACES = ("blurred", "shown")       # in pictures that leave the machine
ROLES = ("player", "parent")       # parent: or carer
ARMS = ("right", "left")
LONGEST_NAME = 60
JOINERS = "\u200c\u200d"           # part of the spelling of Indic and Persian names and of emoji


def shown_name(name: str) -> str:
    """The name as it is shown, in one spelling. Fault for what is no name: empty, too long, or with control signs."""
    clean = " ".join(unicodedata.normalize("NFC", name).split())
    bad = [c for c in clean if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn") and c not in JOINERS]
    if bad:   # a sign that turns the writing round, or moves a terminal's cursor, is nobody's name
        raise Fault("a name to show", f"the control sign U+{ord(bad[0]):04X} in it", "type the name without it")
    if not clean or len(clean) > LONGEST_NAME:
        raise Fault("a name to show", f"{len(clean)} letters", f"give 1 to {LONGEST_NAME}; a nickname is best")
    return clean


def age_group(group: str) -> str:
    """ "adult", or "u8" to "u19". """
    group = group.strip().lower()
    if group != "adult" and not (re.fullmatch(r"u\d{1,2}", group) and 8 <= int(group[1:]) <= 19):
        raise Fault("an age group", repr(group), "give adult, or u8 to u19")
    return group


def under_18(player: Mapping[str, Any], on: date) -> bool:
    """False only where it is sure: an adult by age group, or born more than 18 calendar years before."""
    if player["birth_year"] is not None:
        return on.year - player["birth_year"] <= 18
    return player["age_group"] != "adult"


def may_keep(player: Mapping[str, Any], consents: Sequence[Mapping[str, Any]], on: date) -> str:
    """What may be kept of this player on that day: "none" (a count alone), "numbers" or "clips".

    The latest consent that had been given counts, so a withdrawal is one more row. Latest by its day and latest by when
    it was put down are the same, unless a clock was wrong or a paper came late: then the one that allows less counts.
    A withdrawal counts whatever its day. Without any consent, or after its end: numbers and no picture.
    """
    last = _counts(consents, on)
    if last is None:
        return "numbers"
    if last["may_keep"] != "clips":
        return last["may_keep"]
    ended = last["until"] is not None and last["until"] < on.isoformat()
    return "numbers" if ended or (under_18(player, on) and last["role"] == "player") else "clips"


def faces(player: Mapping[str, Any], consents: Sequence[Mapping[str, Any]], on: date) -> str:
    """ "shown" in pictures that leave the machine only where the consent to clips that counts on that day says so."""
    return _counts(consents, on)["faces"] if may_keep(player, consents, on) == "clips" else "blurred"


def consent_until(consents: Sequence[Mapping[str, Any]], on: date) -> str | None:
    """The last day of the consent that counts on that day; None where it has no end."""
    last = _counts(consents, on)
    return last and last["until"]


def keep_days(consents: Sequence[Mapping[str, Any]], on: date) -> int | None:
    """For how many days a clip is kept by the consent that counts on that day; None where it leaves that open."""
    last = _counts(consents, on)
    return last and last["keep_days"]


def _counts(consents: Sequence[Mapping[str, Any]], on: date) -> Mapping[str, Any] | None:
    """The consent that counts on that day, as `may_keep` says."""
    given = [c for c in consents if c["given_on"] <= on.isoformat() or c["may_keep"] != "clips"]
    if not given:
        return None
    latest = max(given, key=lambda c: (c["given_on"], c["id"])), max(given, key=lambda c: c["id"])
    return min(latest, key=lambda c: (KEEP.index(c["may_keep"]), FACES.index(c["faces"])))
