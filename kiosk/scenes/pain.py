"""Pain: somebody hurts. Stop, and who to go to; no diagnosis, no number, no blame."""
from __future__ import annotations

from kiosk.scenes.limit import Limit


class Pain(Limit):
    name = "pain"
    title = "pain"

    def _note(self) -> str:
        return self.texts.say("pain_note_under_18" if self.view.under_18 else "pain_note")
