"""Stage: one scene at a time, the banner over it, one flip for what has changed."""
from __future__ import annotations

from kiosk.scenes import banner
from kiosk.scenes.ask import Ask
from kiosk.scenes.block import Block
from kiosk.scenes.closed import Closed
from kiosk.scenes.limit import Limit
from kiosk.scenes.pain import Pain
from kiosk.scenes.replay import Replay
from kiosk.scenes.scene import Button, Pictures, Scene
from kiosk.scenes.up import Up
from kiosk.scenes.verdict import Verdict
from kiosk.scenes.view import View
from kiosk.scenes.waiting import Waiting
from kiosk.screen import Screen
from kiosk.texts import Texts

SCENES: tuple[type[Scene], ...] = (Waiting, Up, Verdict, Replay, Block, Limit, Pain, Ask, Closed)


class Stage:
    """`now`: the name of the scene that is on. `home`: the one between balls. Times are handed in, on the clock of the
    frames' stamps."""

    home = Up.name

    def __init__(self, screen: Screen, texts: Texts, pictures: Pictures = Pictures()) -> None:
        self.screen = screen
        self.scenes = {kind.name: kind(screen, texts, pictures) for kind in SCENES}
        self.scene = self.scenes[Waiting.name]
        self.view = View()

    @property
    def now(self) -> str:
        return self.scene.name

    @property
    def buttons(self) -> tuple[Button, ...]:
        """What can be pressed on the screen as it is."""
        return self.scene.buttons

    def show(self, name: str, view: View, now_ns: int) -> None:
        """Leave the scene that is on and enter that one, from its beginning."""
        self.scene.leave()
        self.scene, self.view = self.scenes[name], view
        self.scene.enter(view, now_ns)

    def update(self, view: View) -> None:
        """Another view for the scene that is on."""
        if view.banner != self.view.banner:
            self.scene.stale = True
        self.view = view
        self.scene.see(view)

    def tick(self, now_ns: int) -> bool:
        """Go on to the next scene where it is time, draw what has changed, flip. Whether the screen has changed."""
        if (name := self.scene.next(now_ns)) is not None:
            self.show(self.home if name == Up.name else name, self.view, now_ns)
        if not self.scene.tick(now_ns):
            if self.now == Verdict.name and self.view.replay:
                self.scenes[Replay.name].prepare(self.view)
            return False
        if self.view.banner:
            banner.draw(self.screen, self.view.banner, self.scene.slim_banner)
        self.screen.flip()
        return True
