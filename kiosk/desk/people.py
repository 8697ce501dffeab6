"""People: the coach's pages about players: whose turn it is, who is on the list, what is known of each, and their consent."""
from __future__ import annotations

from datetime import date, timedelta
from typing import Callable

from kiosk.desk.page import BACK, CLOSE, LETTERS, Answer, Field, Page
from kiosk.desk.pages import Office
from kiosk.logbook.people import KEEP, ROLES

A_PAGE = 9
GROUPS = ("u9", "u10", "u11", "u12", "u13", "u14", "u15", "u16", "u17", "u18", "u19", "adult")
UNTIL_DAYS = (1, 30, 90, 365)


class People:
    def __init__(self, office: Office) -> None:
        self._o = office
        self._from = 0

    def players(self) -> Page:
        """Those on the list in their order, whoever is up marked; then the others, a page at a time."""
        o, turns = self._o, self._o.turns
        names = {p["id"]: p["shown_name"] for p in o.log.players()}
        here = [p for p in turns.order if p is not None]
        others = [p for p in names if p not in here]
        everyone = [*here, *others]
        shown = everyone[self._from:self._from + A_PAGE]

        def words(player: str) -> str:
            up = player == turns.up.bowler.id
            place = o.say("is_up") if up else o.say("is_nth", nth=here.index(player) + 1) if player in here else ""
            return f"{names[player]} · {place}" if place else names[player]
        answers = [Answer(words(p), lambda p=p: self._one(p)) for p in shown]
        if len(everyone) > A_PAGE:
            answers.append(Answer(o.say("more"), lambda: self._leaf(len(everyone))))
        return Page(o.say("menu_players"), (o.back(), Answer(o.say("player_new"), lambda: self.new), *answers), (), 3)

    def _leaf(self, of: int) -> None:
        self._from = self._from + A_PAGE if self._from + A_PAGE < of else 0

    def new(self) -> Page:
        o = self._o

        def done(name: str) -> Callable[[], Page]:
            player = o.log.add_player(name.title() if name.isupper() else name)
            o.turns.add(player)
            return self._one(player)
        return Page(o.say("player_name"), (o.back(),), (), 0, Field(done, LETTERS, 40))

    def _one(self, player: str) -> Callable[[], Page]:
        def page() -> Page:
            o, row = self._o, self._o.log.player(player)
            listed = player in o.turns.order
            arm = o.say(f"arm_{row['arm']}") if row["arm"] else o.say("arm_open")
            age = str(row["birth_year"] or "") or (o.say(f"age_{row['age_group']}") if row["age_group"] == "adult"
                                                  else (row["age_group"] or "").upper()) or o.say("age_open")
            height = o.say("height", height=f"{row['height_m']:.2f}", day=row["height_on"]) if row["height_m"] \
                else o.say("height_open")
            answers = (o.back(), Answer(o.say("player_up"), lambda: self._up(player)),
                       Answer(o.say("player_off" if listed else "player_on"), lambda: self._list(player, listed)),
                       Answer(arm, lambda: self._arm(player, row["arm"])), Answer(age, lambda: self._age(player)),
                       Answer(o.say("birth_year"), lambda: self._year(player)),
                       Answer(height, lambda: self._height(player)),
                       Answer(o.say(f"keep_{row['may_keep']}"), lambda: self._keep(player)))
            lines = (o.say("under_18"),) if row["under_18"] else ()
            return Page(row["shown_name"], answers, (*lines, *self._consent(player)), 2)
        return page

    def _consent(self, player: str) -> tuple[str, ...]:
        """The consent that counts: who gave it, when, until when."""
        given = self._o.log.consents(player)
        if not given:
            return (self._o.say("consent_none"),)
        last = max(given, key=lambda c: (c["given_on"], c["id"]))
        return (self._o.say("consent_by", name=last["given_by"], day=last["given_on"],
                            until=last["until"] or self._o.say("until_open")),)

    def _up(self, player: str) -> str:
        self._o.desk.leave(self._o.now_ns())
        self._o.front.call(player, self._o.now_ns())
        return CLOSE

    def _list(self, player: str, listed: bool) -> None:
        if listed:
            self._o.turns.remove(player, self._o.now_ns())
        else:
            self._o.turns.add(player)

    def _changed(self, player: str, **what: object) -> str:
        self._o.log.change_player(player, **what)
        self._o.turns.again(player)
        return BACK

    def _arm(self, player: str, arm: str | None) -> None:
        self._changed(player, arm="left" if arm == "right" else "right")

    def _age(self, player: str) -> Callable[[], Page]:
        o = self._o
        answers = [Answer(g.upper() if g != "adult" else o.say("age_adult"),
                          lambda g=g: self._changed(player, age_group=g, birth_year=None)) for g in GROUPS]
        return lambda: Page(o.say("age"), (o.back(), *answers), (), 4)

    def _year(self, player: str) -> Callable[[], Page]:
        field = Field(lambda text: self._changed(player, birth_year=int(text)), most=4)
        return lambda: Page(self._o.say("birth_year"), (self._o.back(),), (), 0, field)

    def _height(self, player: str) -> Callable[[], Page]:
        def done(text: str) -> str:
            self._o.log.add_height(player, int(text) / 100)
            return BACK
        return lambda: Page(self._o.say("height_cm"), (self._o.back(),), (), 0, Field(done, most=3))

    # Consent: what, by whom, their name, until when

    def _keep(self, player: str) -> Callable[[], Page]:
        o = self._o
        answers = [Answer(o.say(f"keep_{keep}"), lambda keep=keep: self._by(player, keep)) for keep in KEEP]
        return lambda: Page(o.say("consent"), (o.back(), *answers), (o.say("consent_note"),), 2)

    def _by(self, player: str, keep: str) -> Callable[[], Page]:
        o = self._o
        alone = o.log.player(player)["under_18"] and keep == "clips"       # pictures of a child are not the child's to give
        answers = [Answer(o.say(f"by_{role}"), lambda role=role: self._name(player, keep, role)) for role in ROLES[::-1]
                   if not (alone and role == "player")]
        return lambda: Page(o.say("consent_who"), (o.back(), *answers))

    def _name(self, player: str, keep: str, role: str) -> Callable[[], Page]:
        o = self._o
        field = Field(lambda name: self._until(player, keep, role, name.title() if name.isupper() else name), LETTERS, 40)
        return lambda: Page(o.say("consent_name"), (o.back(),), (), 0, field)

    def _until(self, player: str, keep: str, role: str, name: str) -> Callable[[], Page]:
        o = self._o

        def give(until: date | None) -> str:
            o.log.add_consent(player, keep, name, role, until=until)
            o.turns.again(player)
            o.front.board.note(o.say("consent_kept"))
            return CLOSE
        days = [(o.log.today() + timedelta(days=days)) for days in UNTIL_DAYS]
        answers = [Answer(o.say("until", day=day.isoformat()), lambda day=day: give(day)) for day in days]
        return lambda: Page(o.say("consent_until"), (o.back(), *answers, Answer(o.say("until_open"), lambda: give(None))))
