"""Opening: the desk with all its pages, put in front of people."""
from __future__ import annotations

from types import ModuleType
from typing import Callable

from kiosk import clock as real_clock
from kiosk.desk import Desk
from kiosk.desk.blocks import Blocks
from kiosk.desk.pages import Office, Pages
from kiosk.desk.people import People
from kiosk.desk.window import Window
from kiosk.front import Front
from kiosk.inputs import Inputs
from kiosk.pin import Pin
from kiosk.voice import Voice


def opened(front: Front, inputs: Inputs, pin: Pin, voice: Voice, aside: Callable[[Callable[[], None]], object],
           clock: ModuleType = real_clock) -> Desk:
    desk = Desk(front.board, inputs, front.texts, pin, aside)
    office = Office(desk, front, inputs, pin, voice, clock.now_ns)
    pages = Pages(office, People(office).players, Window(office).focus, Blocks(office).plan)
    desk.root, front.desk, front.pain = pages.root, desk, pages.pain
    return desk
