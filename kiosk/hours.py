"""Hours: when the hall is open. Outside them the kiosk is black and keeps no picture, not even in memory."""
from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time

from creaseside.settings import Screen


@dataclass(frozen=True, slots=True)
class Hours:
    """opens, closes: by the wall clock of the hall; a hall that closes after midnight has closes before opens."""

    opens: time
    closes: time

    @classmethod
    def of(cls, asked: Screen) -> Hours | None:
        """None: always open."""
        return cls(time.fromisoformat(asked.opens), time.fromisoformat(asked.closes)) if asked.opens else None

    def open_at(self, wall: datetime) -> bool:
        now = wall.time().replace(tzinfo=None)
        if self.opens < self.closes:
            return self.opens <= now < self.closes
        return now >= self.opens or now < self.closes
