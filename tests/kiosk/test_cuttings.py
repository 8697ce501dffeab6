"""Of the balls before the last no picture is held, unless its clip is still to be written."""
from __future__ import annotations

from creaseside.stamps import NS, Stamp
from kiosk.cuttings import Cuttings
from kiosk.reel import Reel
from kiosk.sources import jpeg
from kiosk.sources.numbered import picture


def test_only_the_last_ball_and_those_whose_clip_waits_are_held():
    data = jpeg.encode(picture(1, 64, 48))
    with Reel.make(4, 10, 1, 64, 48) as reel:
        for n in range(40):
            reel.write(Stamp(n, n * NS // 10), data)
        cuttings = Cuttings(reel)
        balls = [cuttings.want(ball, ball * NS, (ball + 1) * NS) for ball in range(3)]
        cuttings.tick(4 * NS, False, wanted=(0,))
        assert [len(ball.stamps) for ball in balls] == [11, 0, 11]
        assert cuttings.want(0, 0, NS) is balls[0] and cuttings.want(2, 2 * NS, 3 * NS) is balls[2]
        cuttings.tick(4 * NS, False)
        assert cuttings.want(0, 0, NS) is not balls[0] and cuttings.want(2, 2 * NS, 3 * NS) is balls[2]
