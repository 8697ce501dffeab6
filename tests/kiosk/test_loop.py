"""The loop with stand-ins for the world and a clock that the test moves: a real log, a real reel, a real (unseen) screen."""
from __future__ import annotations

import json
from itertools import combinations
from types import SimpleNamespace

import pytest

from creaseside import settings
from creaseside.ball import QUANTITIES, Ball, Value
from creaseside.engine import Snapshot
from creaseside.orders import Cue, Log, Look, Show, Span
from creaseside.pose import Pose
from creaseside.stamps import NS, Stamp
from kiosk import clips
from kiosk.board import Board
from kiosk.cuttings import Cuttings
from kiosk.faults import Fault
from kiosk.front import Front
from kiosk.health import Health
from kiosk.inputs import Press
from kiosk.intake import Intake
from kiosk.logbook import Logbook
from kiosk.frames import frames_of
from kiosk.loop import Loop, Parts
from kiosk.outputs import Heard
from kiosk.reel import Reel
from kiosk.scenes.scene import Pictures
from kiosk.scenes.stage import Stage
from kiosk.scorer import Scorer
from kiosk.seat import Bowler, Seat
from kiosk.screen import Screen
from kiosk.texts import Texts
from kiosk.turns import Turns
from tests.kiosk.bowled import agreed_player, home, some_frames
from tests.kiosk.handclock import HandClock

FPS = 50
GATE = settings.FocusCue("front_knee_ffc_deg", 160.0)
RELEASE_S = 1.7       # of the recording; front foot contact 0.1 s, back foot contact 0.3 s before


def ball_at(release_ns: int, verdict: str | None = "hit") -> Ball:
    known = {"bfc_s": release_ns / NS - 0.3, "ffc_s": release_ns / NS - 0.1, "br_s": release_ns / NS,
             "front_knee_ffc_deg": 171.0}
    values = {q.name: Value(known[q.name], 0.5) if q.name in known else Value.missing("not tried") for q in QUANTITIES}
    return Ball("right", values, None, 0.9, (), verdict)


class Recording:
    """Frames that the test lets out by its clock; then the end."""

    name, width_px, height_px, fps, live = "recording", 64, 48, FPS, False
    trouble, counts = None, {}

    def __init__(self, clock: HandClock, seconds: float = 4.0) -> None:
        self.start_ns = clock.ns
        pictures = some_frames(round(seconds * FPS), fps=FPS)
        self.left = [(Stamp(i, self.start_ns + i * NS // FPS), data) for i, (_, data) in enumerate(pictures)]

    def due(self, now_ns: int) -> list:
        out = [frame for frame in self.left if frame[0].t_ns <= now_ns]
        self.left = self.left[len(out):]
        return out

    def close(self) -> None:
        self.left = []


class Eyes:
    """Answers every look in the next turn, with nobody."""

    restarts, why = 0, ""

    def __init__(self) -> None:
        self.given, self.waiting, self.dead = [], [], False

    def live(self, stamp: Stamp, box_px=None) -> bool:
        self.waiting.append((None, stamp))
        return True

    def look(self, ball: int, frames, urgent: bool = False) -> None:
        self.given.append((ball, frames))
        self.waiting += [(ball, frame.stamp) for frame in frames]

    def poses(self) -> list:
        out = [(ball, Pose.nobody(stamp, "light" if ball is None else "heavy", "nobody")) for ball, stamp in self.waiting]
        self.waiting = []
        return out

    def alive(self) -> bool:
        return not self.dead


class Script:
    """Stands in for the engine: a ball is found at its release, looked at closely, and concluded when all looks are back."""

    wake_at_ns = None
    live_box_px = None
    live_step_ns = NS // 40
    deciding = False

    def __init__(self, release_ns: int, verdict: str | None = "hit", somebody: bool = False) -> None:
        self.release_ns, self.verdict, self.somebody = release_ns, verdict, somebody
        self.said, self.seen, self.closely = [], [], []
        self.found = self.finished = False

    def see(self, pose: Pose) -> None:
        assert not self.finished
        self.seen.append(pose.stamp)
        if pose.stamp.t_ns >= self.release_ns and not self.found:
            self.found = True
            r = self.release_ns
            self.said.append(Look(1, (Span(r - NS // 5, r + NS // 10, 1, (0, 0, 40, 40)),
                                      Span(r - NS // 5, r - NS // 2, NS // 20, None))))

    def see_closely(self, ball: int, pose: Pose) -> None:
        self.closely.append(pose.stamp)

    def looked(self, ball: int) -> None:
        r, what = self.release_ns, ball_at(self.release_ns, self.verdict)
        first, last = r - NS, r + NS
        self.said.append(Log(ball, first, last, what))
        if self.verdict:
            self.said.append(Cue(ball, self.verdict, r + 3 * NS // 2))
        self.said.append(Show(ball, r + 3 * NS // 2, first, last, r - NS // 5, r, r - NS // 10,
                              ((20.0, 10.0), (22.0, 20.0), (24.0, 30.0)), what))

    def waits_for(self, ball: int) -> bool:
        return not any(isinstance(order, Log) and order.ball == ball for order in self.said)

    def finish(self) -> None:
        self.finished = True

    def orders(self) -> list:
        out, self.said = self.said, []
        return out

    def snapshot(self) -> Snapshot:
        return Snapshot(0, False, self.somebody)


class Voice:
    """Plays every cue at its time."""

    way = "sounddevice"

    def __init__(self, clock: HandClock, asked: list) -> None:
        self.clock, self.asked, self.due = clock, asked, []

    def ask(self, kind: str, at_ns: int) -> None:
        self.asked.append((kind, at_ns))
        self.due.append((kind, at_ns))

    def tick(self, now_ns: int) -> None:
        pass

    def heard(self) -> list[Heard]:
        out = [Heard(kind, at_ns, at_ns + NS // 1000, self.way) for kind, at_ns in self.due if at_ns <= self.clock.ns]
        self.due = [one for one in self.due if one[1] > self.clock.ns]
        return out


class World:
    """A loop and all that it is handed."""

    def __init__(self, folder, player_agrees: bool = True, focus=GATE, verdict: str | None = "hit", source=Recording,
                 until_end: bool = True, somebody: bool = False) -> None:
        self.clock = HandClock()
        self.place = home(folder)
        self.log = Logbook(self.place, self.clock)
        player = agreed_player(self.log) if player_agrees else None
        self.source, self.reel = source(self.clock), Reel.make(6, FPS, 4)
        self.health, self.eyes, self.written, self.cues, self.kept = Health(FPS), Eyes(), [], [], []
        self.engine = Script(self.source.start_ns + round(RELEASE_S * NS), verdict, somebody)
        cuttings = Cuttings(self.reel)
        self.stage = Stage(Screen(settings.Screen(), headless=True), Texts("en"), Pictures(cuttings.bgr, self.reel.stamps))
        board = Board(self.stage, settings.Feedback(), self.kept.append)
        scorer = Scorer(self.log, self.health, lambda job: job(), self.written.append, "a.avi", clock=self.clock)
        voice = Voice(self.clock, self.cues)
        turns = Turns([player], lambda who: Seat(self.log, Bowler.of(self.log, who), focus),
                      lambda focus, arm: None, 3 * NS // 2)
        self.session = turns.up.session
        front = Front(turns, board, Texts("en"), self.log, voice, scorer)
        intake = Intake(self.source, self.reel, self.health)
        self.loop = Loop(Parts(intake, self.reel, self.eyes, self.engine, voice, scorer, board, front,
                               cuttings, self.health, Texts("en"), self.kept.append,
                               lambda t_ns: self.source.start_ns, clock=self.clock), until_end)
        board.begin(self.clock.ns)

    def turn(self, seconds: float = 0.02) -> None:
        """Time passes, frames come, the loop takes its turn."""
        self.clock.pass_s(seconds)
        intake = self.loop.parts.intake
        for stamp, data in self.source.due(self.clock.ns):
            intake._keep(stamp, data)
        intake.over = not self.source.left
        self.loop.turn()

    def turns(self, until, most: int = 800) -> None:
        for _ in range(most):
            if until():
                return
            self.turn()
        pytest.fail("it never came to that")

    def rows(self) -> list[dict]:
        return self.log.ball_rows(self.session)

    def close(self) -> None:
        self.log.close()
        self.reel.close()


@pytest.fixture
def world(tmp_path):
    made = []

    def make(**how) -> World:
        made.append(World(tmp_path, **how))
        return made[-1]
    yield make
    for one in made:
        one.close()


def test_the_ball_is_on_the_disk_before_its_cue_is_asked_for(world, monkeypatch):
    w, order = world(), []
    monkeypatch.setattr(w.loop.parts.speaker, "ask", lambda kind, at_ns: order.append((kind, len(w.rows()))))
    w.turns(lambda: order)
    assert order == [("hit", 1)]


def test_the_cue_joins_its_ball_and_the_clip_comes_after(world):
    w = world()
    w.turns(lambda: w.rows())
    assert w.log.clip(w.rows()[0]["id"]) is None        # its last frame is still to come
    w.turns(lambda: w.loop.done)
    row, clip = w.rows()[0], w.log.clip(w.rows()[0]["id"])
    assert row["release_to_cue_s"] == pytest.approx(1.501)
    assert len(clip["t_ns"]) == 2 * FPS + 1
    assert clip["t_ns"][0] == w.engine.release_ns - NS
    assert row["release_to_verdict_s"] == pytest.approx(0.12)     # 0.1 s to the last frame that is looked at, one turn


def test_without_consent_no_picture_reaches_the_disk(world):
    w = world(player_agrees=False)
    w.turns(lambda: w.loop.done)
    assert len(w.rows()) == 1
    assert list(w.place.clips.iterdir()) == []


def test_the_log_counts_from_the_clip_and_the_json_from_the_file(world):
    w = world()
    w.turns(lambda: w.written)
    row, told = w.rows()[0], w.written[0].json
    assert (row["bfc_s"], row["ffc_s"], row["br_s"]) == pytest.approx((0.7, 0.9, 1.0))
    assert (told["bfc_s"], told["ffc_s"], told["br_s"]) == pytest.approx((1.4, 1.6, 1.7))
    assert (told["ball"], told["clip"], told["verdict"]) == (1, "a.avi", "hit")
    assert told["release_to_verdict_s"] == row["release_to_verdict_s"]
    json.dumps(told, allow_nan=False)


def test_the_end_of_a_file_finishes_what_it_brought(world):
    w = world()
    w.source.left = [f for f in w.source.left if f[0].t_ns <= w.engine.release_ns + NS // 10]
    w.turns(lambda: w.loop.done)
    assert w.engine.finished and len(w.rows()) == 1 and w.cues and w.rows()[0]["release_to_cue_s"]
    assert w.log.clip(w.rows()[0]["id"])
    assert w.loop.summary() | {"balls": 1, "frames_lost": 0, "sound": "sounddevice", "screen": "headless",
                               "restarts": 0, "faults": 0} == w.loop.summary()
    assert w.loop.summary()["cue_late_ms"] == {"p50": pytest.approx(1), "p95": pytest.approx(1), "max": pytest.approx(1), "n": 1}


def test_without_a_focus_there_is_no_cue_and_the_replay_still_comes(world):
    w = world(focus=None, verdict=None)
    w.turns(lambda: w.stage.now == "replay")
    assert w.cues == [] and w.stage.view.verdict is None and w.stage.view.word == ""
    assert w.rows()[0]["verdict"] is None and w.written[0].json["verdict"] is None
    assert 0 <= w.loop.summary()["replay_late_ms"]["max"] <= 20


def test_words_then_replay_then_who_is_up(world):
    w, scenes = world(until_end=False), []
    for _ in range(900):
        w.turn()
        if scenes[-1:] != [w.stage.now]:
            scenes.append(w.stage.now)
    assert scenes == ["up", "verdict", "replay", "up"]
    assert w.stage.view.last == ("hit",) and w.stage.view.block_ball == 2
    late, step = (w.loop.summary()[name] for name in ("replay_late_ms", "replay_step_ms"))
    assert late["n"] == 1 and 0 <= late["max"] <= 20 and step["n"] > 200 and step["max"] == pytest.approx(20)    # a turn of this hall


def test_poses_come_in_order_and_spans_run_their_own_way(world):
    w = world()
    w.turns(lambda: w.loop.done)
    assert w.engine.seen == sorted(w.engine.seen)
    (ball, frames), = w.eyes.given
    r, start = w.engine.release_ns, w.source.start_ns
    first = [frame.stamp.t_ns - start for frame in frames if frame.box_px]
    back = [frame.stamp.t_ns - start for frame in frames if not frame.box_px]
    assert first == sorted(first) and first[0] == r - start - NS // 5 and first[-1] == r - start + NS // 10
    assert back == sorted(back, reverse=True) and min(a - b for a, b in zip(back, back[1:])) >= NS // 20
    assert sorted(w.engine.closely) == sorted(frame.stamp for frame in frames)
    models = {pose.model for poses in w.log.traces(w.rows()[0]["id"]).values() for pose in poses}
    assert models == {"light", "heavy"}


def test_no_frame_is_asked_for_whose_neighbour_was(world):
    w = world()
    w.turns(lambda: w.loop.parts.intake.newest and w.loop.parts.intake.newest.t_ns > w.source.start_ns + NS)
    start, step = w.source.start_ns, NS // 20

    def asked(first_ns: int, urgent: bool) -> list[int]:
        before = len(w.eyes.given)
        w.loop._carry_out(Look(77, (Span(first_ns, first_ns + NS // 5, step, None),), urgent))
        return [frame.stamp.t_ns for ball, frames in w.eyes.given[before:] for frame in frames]
    first = asked(start + NS // 5, True)
    later = asked(start + NS // 5 + 4 * NS // FPS, True)       # the landing was seen four frames later
    assert len(first) >= 4 and len(later) == 1 and later[0] - max(first) >= step
    assert asked(start + NS // 5, False) == []
    rest = asked(start, False)                                 # all of the ball: speeds are read from neighbouring looks
    assert rest and asked(start + 2 * NS // FPS, False) == []
    assert min(abs(a - b) for a, b in combinations([*first, *later, *rest], 2)) >= step


def test_a_span_takes_what_the_reel_still_has():
    with Reel.make(2, FPS, 1) as reel:
        assert frames_of(Look(1, (Span(0, NS, 1, None),)), reel) == []


def late_eyes(w, monkeypatch, turns: int, missing_every: int = 0) -> None:
    """A look takes so many turns; every so many-th sees nobody, beginning with the first."""
    since, count = [0], [0]
    blank = Pose.nobody(Stamp(0, 0), "light", "")

    def poses() -> list:
        since[0] += 1
        if since[0] % turns or not w.eyes.waiting:
            return []
        (_, stamp), w.eyes.waiting = w.eyes.waiting[0], w.eyes.waiting[1:]
        count[0] += 1
        if missing_every and count[0] % missing_every == 1:
            return [(None, Pose.nobody(stamp, "light", "no person seen"))]
        return [(None, Pose(stamp, blank.xy_px, blank.world_m, blank.visibility, "light"))]
    monkeypatch.setattr(w.eyes, "poses", poses)
    monkeypatch.setattr(w.eyes, "live",
                        lambda stamp, box_px=None: not w.eyes.waiting and (w.eyes.waiting.append((None, stamp)) or True))
    w.engine.found = True


def steps_s(w) -> list[float]:
    return [(b.t_ns - a.t_ns) / NS for a, b in zip(w.engine.seen, w.engine.seen[1:])]


def test_eyes_that_are_late_leave_nothing_of_a_run_up_out(world, monkeypatch):
    """Nine turns (0.18 s) a look: half of what is needed at the newest frame alone."""
    w = world(verdict=None, focus=None)
    late_eyes(w, monkeypatch, 9)
    w.turns(lambda: w.loop.parts.intake.newest and w.loop.parts.intake.newest.t_ns - w.source.start_ns > NS * 3 // 2)
    assert len(steps_s(w)) > 5 and max(steps_s(w)[1:]) <= 1 / 20
    w.turns(lambda: w.engine.finished, most=3000)
    assert w.engine.seen[-1].frame == 4 * FPS - 1       # and the end is waited for


def test_one_look_that_saw_nobody_leaves_no_run_up_out(world, monkeypatch):
    w = world(verdict=None, focus=None)
    late_eyes(w, monkeypatch, 9, missing_every=6)
    w.turns(lambda: w.engine.finished, most=3000)
    assert len(steps_s(w)) > 20 and max(steps_s(w)[1:]) <= 0.2 + 1 / FPS


def test_trouble_with_the_source_is_said_and_taken_back(world):
    w = world()
    w.source.trouble = Fault("the picture", "no frame", "look at its plug")
    w.turns(lambda: w.stage.view.banner)
    assert w.stage.view.banner[0] == "no camera"
    w.source.trouble = None
    w.turns(lambda: not w.stage.view.banner)
    w.turns(lambda: w.loop.done)
    assert len(w.rows()) == 1


def test_a_full_disk_stops_nothing_and_the_ball_is_written_later(world, monkeypatch):
    w = world()
    whole, full = w.log.add_ball, [True]

    def add_ball(*given, **more):
        if full:
            raise Fault("to log a ball", "a full disk", "free some space") from OSError(28, "No space left on device")
        return whole(*given, **more)
    monkeypatch.setattr(w.log, "add_ball", add_ball)
    w.turns(lambda: w.stage.now == "replay")
    assert w.rows() == [] and w.written == [] and w.cues
    assert w.stage.view.banner[0] == "the disk is full"
    full.clear()
    w.turns(lambda: w.rows())
    w.turns(lambda: not w.stage.view.banner)
    assert len(w.written) == 1


def test_a_clip_that_cannot_be_written_is_said(world, monkeypatch):
    def keep(*_):
        raise Fault("a clip", "no space", "free some") from OSError(28, "No space left on device")
    monkeypatch.setattr(clips, "keep", keep)
    w = world(until_end=False)
    w.turns(lambda: w.stage.view.banner)
    assert w.stage.view.banner[0] == "the disk is full" and len(w.rows()) == 1


def test_a_scene_that_fails_is_left_and_its_story_kept_once(world, monkeypatch):
    w = world(until_end=False)
    monkeypatch.setattr(w.stage.scenes["verdict"], "draw", lambda now_ns: 1 / 0)
    w.turns(lambda: w.loop.parts.scorer.balls and w.loop.parts.scorer.idle)
    assert w.kept == ["the screen, scene verdict"]
    assert w.stage.now == "waiting" and w.rows()[0]["release_to_cue_s"]


def test_a_screen_that_fails_altogether_does_not_stop_the_balls(world, monkeypatch):
    w = world()
    for scene in w.stage.scenes.values():
        monkeypatch.setattr(scene, "tick", lambda now_ns: 1 / 0)
    w.turns(lambda: w.loop.done)
    assert len(w.rows()) == 1 and w.log.clip(w.rows()[0]["id"])
    assert len(w.kept) == len(set(w.kept)) <= 3


def test_a_fault_of_the_engine_is_kept_once_and_the_next_pose_comes(world, monkeypatch):
    w = world(until_end=False)
    see = w.engine.see
    monkeypatch.setattr(w.engine, "see", lambda pose: 1 / 0 if pose.stamp.frame < 20 else see(pose))
    w.turns(lambda: w.rows())
    assert w.kept == ["a pose"]


def test_nothing_moves_between_balls_while_somebody_is_in_the_lane(world, monkeypatch):
    w, ticks = world(until_end=False, somebody=True), []
    tick = w.stage.tick
    monkeypatch.setattr(w.stage, "tick", lambda now_ns: (ticks.append(w.stage.now), tick(now_ns)))
    w.turns(lambda: w.rows())
    assert ticks == []
    w.turns(lambda: w.stage.now == "replay")       # but a ball is shown to its end
    w.turn()
    assert set(ticks) == {"verdict", "replay"}


def test_without_pose_processes_it_says_so(world):
    w = world()
    w.eyes.dead = True
    w.turns(lambda: w.stage.view.banner)
    assert w.stage.view.banner[0] == "not measuring"


def test_the_button_that_quits(world):
    w = world()
    w.loop.parts.presses = lambda now_ns: [Press("quit", now_ns)]
    w.turn()
    assert w.loop.parts.stop.is_set()


def test_a_broken_decoder_ends_the_intake_and_not_the_kiosk():
    def grab():
        raise RuntimeError("bad bytes")
    with Reel.make(2, FPS, 1) as reel:
        intake = Intake(SimpleNamespace(grab=grab, trouble=None, name="it"), reel, Health())
        intake.run()
    assert intake.over and "bad bytes" in str(intake.trouble)


def test_a_camera_that_moved_is_said_and_told_to_the_engine(world):
    w, told = world(), []
    w.engine.moved = told.append
    w.loop.parts.lookout = SimpleNamespace(tick=lambda newest, now_ns: None, moved=True)
    w.turns(lambda: w.stage.view.banner)
    assert w.stage.view.banner == ("the camera has moved", "Put it back, or set it up anew.") and told[-1] is True
    w.loop.parts.lookout.moved = False
    w.turns(lambda: not w.stage.view.banner)
    assert told[-1] is False


def test_a_closed_hall_is_black_and_holds_no_picture(world):
    w = world(until_end=False)
    w.turns(lambda: w.stage.now == "verdict")
    intake, board = w.loop.parts.intake, w.loop.parts.board
    intake.shut(True)
    board.closed = True
    w.loop.parts.cuttings.forget()
    w.turn()
    assert w.stage.now == "closed" and not w.stage.screen.surface.get_bounding_rect().size == (0, 0)
    assert not any(w.stage.screen.surface.get_at((x, y))[:3] != (0, 0, 0) for x in range(0, 1280, 40) for y in range(0, 720, 40))
    newest = intake.newest
    for _ in range(20):
        w.turn()
    assert intake.newest == newest and w.reel.stamps(0, 10**18) == [] and w.stage.now == "closed"
    intake.shut(False)
    board.closed = False
    w.turn()
    assert w.stage.now == "up" and w.reel.stamps(0, 10**18)
