"""Look: what a page is made of, as the templates want it: figures with a sentence, a table and the formula; links."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence
from urllib.parse import quote, urlencode

from markupsafe import Markup, escape

from creaseside.ball import BY_NAME


@dataclass(frozen=True, slots=True)
class Cell:
    """A table's cell. `name`: somebody's, which may run from right to left."""

    text: str
    href: str | None = None
    name: bool = False

    def __html__(self) -> str:
        inner = f"<bdi>{escape(self.text)}</bdi>" if self.name else escape(self.text)
        return f'<a href="{escape(self.href)}">{inner}</a>' if self.href else str(inner)


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart with the sentence above it, its table, and how its numbers were made. `svg` None: the table alone."""

    id: str
    title: str
    says: str
    svg: Markup | None
    head: Sequence[str]
    rows: Sequence[Sequence[str | Cell]]
    how: str = ""


def unit_word(measure: str) -> str:
    """The measure's own sentence: what it is and in which unit."""
    q = BY_NAME[measure]
    return f"{q.meaning}, in {dict(deg='degrees', m='metres', s='seconds').get(q.unit, q.unit)}"


class Links:
    """Addresses of views. In a page that is one file there are none to go to."""

    def __init__(self, live: bool = True) -> None:
        self.live = live

    def player(self, player: str | None, **query: object) -> str | None:
        return self._to(f"/players/{quote(player, '')}", query) if player else None

    def session(self, session: str, **query: object) -> str | None:
        return self._to(f"/sessions/{quote(session, '')}", query)

    def ball(self, session: str, number: int, **query: object) -> str | None:
        return self._to(f"/sessions/{quote(session, '')}/balls/{number}", query)

    def _to(self, path: str, query: dict) -> str | None:
        given = {k: v for k, v in query.items() if v not in (None, "")}
        return (path + (f"?{urlencode(given)}" if given else "")) if self.live else None
