"""A session in each of its states, over a made-up source and clock: nothing here sleeps."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import time

import pytest
from readings import reading as made_reading
from test_seek import PARKS, whole

from histories import History, frames, levels_frame
from idlehands.wire import encode
from idlehands_monitor.commands.lines import follow
from idlehands_monitor.ingest import checked_frames, limits
from idlehands_monitor.ingest.capture import CaptureError, CaptureReader
from idlehands_monitor.ingest.intake import Intake
from idlehands_monitor.ingest.intake import made as pieces_of
from idlehands_monitor.ingest.sources.replay import AT_END, FACTS
from idlehands_monitor.ingest.sources.stacks import StackError
from idlehands_monitor.ingest.sources.status import SourceStatus
from idlehands_monitor.model.errors import NOTHING_TO_WATCH, USAGE, CommandError
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.session.jumps import CHOOSE_FIRST, ONLY_REPLAYS
from idlehands_monitor.session.machine import Machine
from idlehands_monitor.session.program import Demonstration
from idlehands_monitor.session.reached import Reached
from idlehands_monitor.session.session import LATEST_SECONDS, MESSAGE_SECONDS, Session
from idlehands_monitor.session.targets import wait_until_attached

SECOND = 1_000_000_000
WINDOW_NS = 10 * SECOND
HELLO = {"frame": "hello", "version": 1, "pid": 4711, "argv0": "job.py", "python": "3.11.7"}


class Clock:
    """A clock that moves only when somebody sleeps; what is put in `then` happens on the way."""

    def __init__(self):
        self.now = 100.0
        self.then = []

    def monotonic(self):
        return self.now

    def wall(self):
        return self.now + 1_700_000_000.0

    def sleep(self, seconds):
        self.now += seconds
        if self.then:
            self.then.pop(0)()


class Stream:
    """A source whose status is set, which gives out what is put in, and notes what is asked."""

    target = "made-up"

    def __init__(self, state="live", note=""):
        self.status = SourceStatus(StreamState(state), note)
        self.has_begun = False
        self.waiting = []
        self.drained = 0
        self.paused = None
        self.notes = []
        self.asked = []
        self.fails = ""

    def put(self, *given):
        self.waiting += [one for frame in given for one in checked_frames(frame)]

    def drain(self):
        self.drained += 1
        given, self.waiting = self.waiting, []
        return given

    def portions(self):
        yield self.drain()

    def note(self, frame):
        self.notes.append(frame)

    def pause(self, paused):
        self.paused = paused

    def start_capture(self, path, *, replace=False, most_bytes=None):
        self._ask("start", path, replace)

    def stop_capture(self):
        self._ask("stop")
        return ""

    def _ask(self, *what):
        if self.fails == what[0]:
            raise CaptureError("x.idlehands: No space left on device")
        self.asked.append(what)

    def close(self):
        self.asked.append(("close",))


class Blocks(Stream):
    """A replay that is held in memory: a frame a block, closed when the frame is complete."""

    def __init__(self, given, fails=""):
        super().__init__("replay")
        self.given = given
        self.first_ns = 0
        self.head_ns = 0.0
        self.speed = 1.0
        self.offset = None
        self.fails = fails
        self._left = list(given)

    def again(self):
        if self.fails:
            raise CaptureError(self.fails)
        return Blocks(self.given)

    def next_block(self):
        if not self._left:
            return None
        frame = self._left.pop(0)
        self.head_ns = float(frame.get("complete_ns", frame.get("at_ns", 0)))
        return list(checked_frames(frame))

    def put_back(self, given, head_ns):
        self.head_ns = float(head_ns)

    def resume(self, offset):
        raise AssertionError("no checkpoint was left")

    def facts(self):
        for frame in self.given:
            if frame["frame"] in FACTS:
                yield frame.get("at_ns", 0), list(checked_frames(frame))

    def play_all(self):
        while (block := self.next_block()) is not None:
            self.waiting += block


async def at_once(work):
    return work()


def machine(clock=None, **changes):
    """Return a machine of made-up answers, whose process began 75 s ago and may use 3 cores."""
    clock = clock or Clock()
    answers = {
        "monotonic": clock.monotonic,
        "wall": clock.wall,
        "sleep": clock.sleep,
        "on_thread": at_once,
        "started_at": lambda _pid: clock.wall() - 75.0,
        "cores": lambda _pid: 3,
    }
    return Machine(**{**answers, **changes})


def session(source=None, clock=None, window_ns=WINDOW_NS, **changes):
    """Return a session over a source on a made-up machine."""
    there = machine(clock, **changes)
    return Session(Feed(source or Stream(), window_ns, machine=there), there)


def replayed(seconds=10):
    """Return a session at the end of a replay whose promise PARKS is broken, with its pool."""
    held = session(Blocks([HELLO, *frames(whole(seconds), batch=1000)]))
    held.feed.source.play_all()
    held.update()
    (pool,) = held.reading().pools
    return held, pool


# -- the states of the stream --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "cores", "uptime_s"),
    [
        ("connecting", 0, 0.0),
        ("live", 3, 75.0),
        ("stalled", 3, 75.0),
        ("ended", 0, 0.0),
        ("replay", 0, 0.0),
    ],
)
def test_a_reading_says_its_state_and_asks_the_machine_only_of_a_process_that_runs(
    state, cores, uptime_s
):
    source = Stream(state, "a note")
    source.put(HELLO, *frames(History(2, SECOND)))
    held = session(source)
    assert held.update()
    shown = held.reading().source
    assert (shown.state, shown.note, shown.pid, shown.program) == (state, "a note", 4711, "job.py")
    assert (shown.cores, shown.uptime_s) == (cores, uptime_s)


@pytest.mark.parametrize(
    ("state", "note", "over", "ended"),
    [
        ("connecting", "", False, False),
        ("live", "", False, False),
        ("stalled", "", False, False),
        ("replay", "3 s in", False, False),
        ("replay", AT_END, True, False),
        ("ended", "", True, True),
    ],
)
def test_a_session_is_over_when_the_process_has_ended_or_the_replay_is_at_its_end(
    state, note, over, ended
):
    held = session(Stream(state, note))
    assert (held.is_over, held.has_ended) == (over, ended)


def test_before_the_first_frame_there_is_a_reading_without_a_pool():
    held = session(Stream("connecting", "looking for tide-archive"))
    assert not held.update()
    assert held.reading().pools == ()
    assert held.reading().source.pid == -1


def test_a_stream_that_stalls_and_goes_on_is_read_on_without_loss():
    source = Stream()
    first, *rest = frames(whole(10))
    source.put(HELLO, first)
    held = session(source)
    held.update()
    source.status = SourceStatus(StreamState.STALLED, "process 4711 has said nothing for 3 s")
    assert not held.update()
    assert held.reading().source.state == "stalled"
    source.status = SourceStatus(StreamState.LIVE)
    source.put(*rest)
    assert held.update()
    (pool,) = held.reading().pools
    assert (pool.tasks.finished, pool.lost_rows) == (80, 0)


def test_the_uptime_goes_with_the_wall_clock_and_its_begin_is_asked_once_a_process():
    clock, asked = Clock(), []

    def started_at(pid):
        asked.append(pid)
        return clock.wall() - 75.0

    source = Stream()
    source.put(HELLO)
    held = session(source, clock, started_at=started_at)
    held.update()
    assert held.reading().source.uptime_s == 75.0
    clock.now += 5.5
    assert held.reading().source.uptime_s == 80.5
    assert asked == [4711]
    source.put({**HELLO, "pid": 4712})
    held.update()
    assert held.reading().source.uptime_s == 75.0
    assert asked == [4711, 4712]


def test_the_probe_costs_its_share_of_the_worker_time_between_its_reports():
    source = Stream()
    source.put(HELLO, *frames(History(4, SECOND)))
    held = session(source)
    held.update()
    assert held.reading().source.probe_cost is None
    for at_s, recording_ns, sending_ns in ((1, 1_000_000, 0), (3, 13_000_000, 4_000_000)):
        report = {"frame": "cost", "at_ns": at_s * SECOND}
        source.put({**report, "recording_ns": recording_ns, "sending_ns": sending_ns})
    held.update()
    assert held.reading().source.probe_cost == pytest.approx(0.016 / (2 * 4))


def test_a_process_that_starts_anew_has_nothing_of_the_one_before_in_its_reading():
    source = Stream()
    source.put(HELLO, *frames(whole(10)))
    held = session(source)
    held.update()
    assert held.reading().pools[0].tasks.finished == 80
    source.put({**HELLO, "pid": 4712})
    held.update()
    assert held.reading().pools == ()
    assert held.reading().source.pid == 4712
    source.put(*frames(whole(2)))
    held.update()
    assert held.reading().pools[0].tasks.finished == 16


def test_a_session_that_is_left_closes_its_source():
    source = Stream()
    with session(source):
        assert source.asked == []
    assert source.asked == [("close",)]


# -- pause ---------------------------------------------------------------------------------------


def test_a_pause_holds_the_source_and_what_comes_meanwhile_is_taken_in():
    source = Stream()
    held = session(source)
    held.pause()
    assert (held.is_paused, source.paused) == (True, True)
    source.put(HELLO, *frames(whole(10)))
    assert held.update()
    held.pause()
    assert (held.is_paused, source.paused) == (False, False)
    assert held.reading().pools[0].tasks.finished == 80


# -- notices -------------------------------------------------------------------------------------


def test_a_message_stands_for_its_seconds_and_no_longer():
    clock, drawn = Clock(), []
    held = session(clock=clock)
    held.on_change = lambda: drawn.append(held.notices.message)
    held.say("something has happened")
    assert drawn == ["something has happened"]
    clock.now += MESSAGE_SECONDS - 0.1
    assert held.notices.message == "something has happened"
    clock.now += 0.2
    assert held.notices.message == ""


# -- captures ------------------------------------------------------------------------------------


def test_a_capture_is_named_by_the_wall_clock_and_ended_by_the_second_call():
    clock, source = Clock(), Stream()
    held = session(source, clock)
    path = time.strftime("idlehands-%Y%m%d-%H%M%S.idlehands", time.localtime(clock.wall()))
    asyncio.run(held.toggle_capture())
    assert source.asked == [("start", path, False)]
    assert held.notices.capture == path
    assert held.notices.message == ""
    asyncio.run(held.toggle_capture())
    assert source.asked[1:] == [("stop",)]
    assert held.notices.capture == ""
    assert held.notices.message == f"wrote {path}"


@pytest.mark.parametrize("state", ["ended", "replay"])
def test_a_capture_of_what_sends_nothing_more_is_whole_at_once(state):
    source = Stream(state)
    held = session(source)
    asyncio.run(held.toggle_capture())
    assert [what[0] for what in source.asked] == ["start", "stop"]
    assert held.notices.capture == ""
    assert held.notices.message.startswith("wrote idlehands-")


@pytest.mark.parametrize("fails", ["start", "stop"])
def test_a_capture_that_fails_is_a_message_and_the_next_one_can_begin(fails):
    source = Stream()
    source.fails = fails
    held = session(source)
    asyncio.run(held.toggle_capture())
    if fails == "stop":
        asyncio.run(held.toggle_capture())
    assert held.notices.message == "x.idlehands: No space left on device"
    assert held.notices.capture == ""
    source.fails = ""
    asyncio.run(held.toggle_capture())
    assert held.notices.capture


def test_while_a_capture_is_being_begun_the_key_does_nothing():
    source = Stream()

    async def test():
        go_on = asyncio.Event()

        async def later(work):
            await go_on.wait()
            return work()

        held = session(source, on_thread=later)
        first = asyncio.create_task(held.toggle_capture())
        await asyncio.sleep(0)
        await held.toggle_capture()
        go_on.set()
        await first
        return held.notices.capture

    assert asyncio.run(test())
    assert [what[0] for what in source.asked] == ["start"]


def test_the_key_leaves_a_capture_that_the_command_line_asked_for_as_it_is():
    source = Stream()
    held = session(source)
    held.start_capture("all.idlehands", replace=True)
    asyncio.run(held.toggle_capture())
    assert source.asked == [("start", "all.idlehands", True)]
    assert held.notices.message == "already capturing to all.idlehands"
    held.stop_capture()
    asyncio.run(held.toggle_capture())
    assert [what[0] for what in source.asked] == ["start", "stop", "start"]


def test_a_capture_that_a_command_asks_for_and_cannot_have_ends_the_command():
    source = Stream()
    source.fails = "start"
    with pytest.raises(CommandError, match="No space left on device") as raised:
        session(source).start_capture("x.idlehands", replace=False)
    assert raised.value.status == USAGE


def test_a_capture_begun_late_has_the_recent_past_in_it(tmp_path, monkeypatch):
    class Remembering(Stream):
        """A stream whose frames go through the intake of the live sources."""

        intake = Intake()

        def start_capture(self, path, *, replace=False, most_bytes=None):
            self.intake.start_capture(path, replace=replace)

        def stop_capture(self):
            return self.intake.stop_capture()

    monkeypatch.chdir(tmp_path)
    source = Remembering()
    held = session(source)
    before = {"frame": "cost", "at_ns": 1, "recording_ns": 1, "sending_ns": 1}
    source.intake.take(pieces_of(HELLO))
    source.intake.take(pieces_of(before))
    asyncio.run(held.toggle_capture())
    path = held.notices.capture
    after = {**before, "at_ns": 2}
    source.intake.take(pieces_of(after))
    asyncio.run(held.toggle_capture())
    written = b"".join(block.frames for block in CaptureReader(tmp_path / path))
    assert written == encode(HELLO) + encode(before) + encode(after)


def test_a_recording_of_some_seconds_says_so_and_ends_by_the_clock():
    clock, source = Clock(), Stream()
    session(source, clock).record(2.0)
    assert source.notes == [{"frame": "window", "begin_ns": 100 * SECOND, "length_ns": 2 * SECOND}]
    assert clock.now == pytest.approx(102.0, abs=0.11)
    assert source.drained >= 20


def test_a_recording_without_an_end_ends_with_the_process():
    clock, source = Clock(), Stream()
    end = SourceStatus(StreamState.ENDED, "process 4711 has ended")
    clock.then = [lambda: None, lambda: None, lambda: setattr(source, "status", end)]
    session(source, clock).record(None)
    assert source.notes == []
    assert source.drained == 3


# -- jumps ---------------------------------------------------------------------------------------


def test_a_jump_pauses_the_session_at_the_moment_and_says_where_that_is():
    held, pool = replayed()
    held.say("something else")
    assert asyncio.run(held.jump(PARKS, 1, pool))
    assert held.is_paused
    assert held.is_replay
    assert held.notices.message == ""
    assert held.notices.place.startswith("0.05 s of the run, broken moment 1 of ")
    first, feed = held.notices.place, held.feed
    assert asyncio.run(held.jump("", 1, pool))
    assert "broken moment 2 of " in held.notices.place
    assert held.feed is not feed
    asyncio.run(held.jump("", -5, pool))
    assert held.notices.place == first
    held.pause()
    assert (held.is_paused, held.notices.place) == (False, "")


def test_the_capture_is_read_once_for_all_jumps():
    held, pool = replayed()
    messages = []
    held.on_change = lambda: messages.append(held.notices.message)
    asyncio.run(held.jump(PARKS, 1, pool))
    asyncio.run(held.jump(PARKS, 1, pool))
    assert messages == ["reading the capture for the moments at which promises were broken"]


def test_a_jump_to_a_promise_that_is_never_broken_leads_nowhere():
    held, pool = replayed()
    feed = held.feed
    assert not asyncio.run(held.jump("no-such-promise", 1, pool))
    assert held.notices.message.startswith("not broken in this capture, or not judged")
    assert (held.feed, held.is_paused) == (feed, False)


def test_a_jump_that_is_stopped_leads_nowhere_and_says_no_more():
    held, pool = replayed()
    held.stop()
    messages = []
    held.on_change = lambda: messages.append(held.notices.message)
    assert not asyncio.run(held.jump(PARKS, 1, pool))
    assert messages == ["reading the capture for the moments at which promises were broken"]
    assert not held.is_paused


def test_a_jump_in_a_capture_that_is_gone_is_a_message_and_the_next_one_is_tried():
    held, pool = replayed()
    held.feed.source.fails = "job.idlehands: No such file or directory"
    assert not asyncio.run(held.jump(PARKS, 1, pool))
    assert held.notices.message == "job.idlehands: No such file or directory"
    held.feed.source.fails = ""
    assert asyncio.run(held.jump(PARKS, 1, pool))


def test_while_a_jump_is_under_way_another_one_does_nothing():
    held, pool = replayed()

    async def test():
        go_on = asyncio.Event()

        async def later(work):
            await go_on.wait()
            return work()

        slow = machine(on_thread=later)
        other = Session(held.feed, slow)
        first = asyncio.create_task(other.jump(PARKS, 1, pool))
        await asyncio.sleep(0)
        second = await other.jump("", 1, pool)
        go_on.set()
        return await first, second, other.notices.place

    went, second, place = asyncio.run(test())
    assert (went, second) == (True, False)
    assert "broken moment 1 of" in place


def test_a_live_stream_has_no_moments_to_go_to():
    held = session()
    assert not held.is_replay
    assert not asyncio.run(held.jump(PARKS, 1, made_reading().pools[0]))
    assert held.notices.message == ONLY_REPLAYS


def test_a_jump_before_a_promise_was_chosen_says_how_to_choose_one():
    held, pool = replayed()
    assert not asyncio.run(held.jump("", 1, pool))
    assert held.notices.message == CHOOSE_FIRST


# -- stacks --------------------------------------------------------------------------------------

THREADS = [
    {"thread_id": 1, "os_thread_id": 11, "owns_gil": False, "frames": []},
    {
        "thread_id": 2,
        "os_thread_id": 12,
        "owns_gil": True,
        "frames": [
            {"name": "parse", "filename": "/x/job.py", "line": 12},
            {"name": "main", "filename": "/x/job.py", "line": 40},
        ],
    },
]


async def dumped(_pid):
    return THREADS


async def refused(_pid):
    raise StackError("reading the stack of process 4711 is not permitted")


@pytest.mark.parametrize(("native_id", "ident"), [(12, 2), (-1, 2), (12, -1)])
def test_a_stack_is_found_by_either_id_of_its_thread(native_id, ident):
    stack = asyncio.run(session(dump=dumped).stack(4711, native_id, ident))
    assert [tuple(frame) for frame in stack.frames] == [
        ("parse", "/x/job.py", 12),
        ("main", "/x/job.py", 40),
    ]
    assert (stack.owns_interpreter_lock, stack.missing) == (True, "")


@pytest.mark.parametrize(
    ("pid", "ident", "dump", "why"),
    [
        (4711, 2, refused, "reading the stack of process 4711 is not permitted"),
        (4711, 3, dumped, "its thread is no longer there"),
        (-1, 2, dumped, "none, only a running process has one."),
    ],
)
def test_a_stack_that_cannot_be_read_says_why(pid, ident, dump, why):
    stack = asyncio.run(session(dump=dump).stack(pid, -1, ident))
    assert (stack.missing, stack.frames) == (why, ())


# -- waiting for a source ------------------------------------------------------------------------


def test_a_source_is_waited_for_until_something_comes():
    clock, source = Clock(), Stream("connecting")
    clock.then = [lambda: None, lambda: setattr(source, "has_begun", True)]
    wait_until_attached(source, 5.0, machine(clock))
    assert clock.now < 100.1


@pytest.mark.parametrize(
    ("status", "given_up", "why", "waited_s"),
    [
        (
            SourceStatus(StreamState.ENDED, "there is no process 4711"),
            False,
            "there is no process 4711",
            0,
        ),
        (
            SourceStatus(StreamState.CONNECTING, "looking"),
            False,
            "could not attach to made-up: looking",
            5,
        ),
        (
            SourceStatus(StreamState.CONNECTING, "looking"),
            True,
            "could not attach to made-up: looking",
            0,
        ),
        (
            SourceStatus(StreamState.LIVE, "", "it broke off"),
            False,
            "could not attach .*: it broke off",
            5,
        ),
    ],
)
def test_a_source_that_cannot_be_had_is_status_3_with_its_reason(status, given_up, why, waited_s):
    clock, source = Clock(), Stream()
    source.status = status
    with pytest.raises(CommandError, match=why) as raised:
        wait_until_attached(source, 5.0, machine(clock), lambda: given_up)
    assert raised.value.status == NOTHING_TO_WATCH
    assert clock.now - 100.0 == pytest.approx(waited_s, abs=0.03)


# -- the demonstration ---------------------------------------------------------------------------


class Program:
    """A process that ends by itself with a status, or only by one of some signals."""

    def __init__(self, returncode=None, ends_by=()):
        self.returncode = returncode
        self.ends_by = ends_by
        self.signals = []

    def poll(self):
        return self.returncode

    def send_signal(self, number):
        self.signals.append(number)
        if number in self.ends_by:
            self.returncode = -number

    def kill(self):
        self.send_signal(signal.SIGKILL)

    def wait(self, seconds=None):
        if self.returncode is None:
            raise subprocess.TimeoutExpired("demonstration", seconds)
        return self.returncode


@pytest.mark.parametrize(
    ("program", "signals", "code"),
    [
        (Program(returncode=0), [], 0),
        (Program(ends_by=(signal.SIGTERM,)), [signal.SIGTERM], -signal.SIGTERM),
        (Program(ends_by=(signal.SIGKILL,)), [signal.SIGTERM, signal.SIGKILL], -signal.SIGKILL),
    ],
    ids=["ended", "heeds a signal", "heeds none"],
)
def test_the_demonstration_is_ended_with_no_more_than_it_takes(program, signals, code):
    demonstration = Demonstration(program, Stream(), machine())
    demonstration.stop()
    assert program.signals == signals
    assert demonstration.returncode == code


def test_a_demonstration_that_fails_at_once_is_not_waited_for():
    clock, program = Clock(), Program()
    clock.then = [lambda: None, lambda: setattr(program, "returncode", 2)]
    demonstration = Demonstration(program, Stream("connecting"), machine(clock))
    demonstration.wait_for_pool()
    assert demonstration.has_failed
    assert clock.now < 100.1


def test_a_demonstration_is_watched_as_soon_as_its_pool_has_come():
    clock, source, program = Clock(), Stream("connecting"), Program()
    clock.then = [lambda: setattr(source, "has_begun", True)]
    demonstration = Demonstration(program, source, machine(clock))
    demonstration.wait_for_pool()
    assert not demonstration.has_failed
    with demonstration.session(WINDOW_NS) as held:
        assert held.feed.source is source
    assert source.asked == [("close",)]


# -- lines ---------------------------------------------------------------------------------------


def test_without_a_screen_there_is_a_line_a_second_and_one_at_the_end(capsys):
    clock, source = Clock(), Stream()
    source.put(HELLO, *frames(whole(10)))
    follow(session(source, clock), 3.55)
    assert len(capsys.readouterr().out.splitlines()) == 4
    assert clock.now == pytest.approx(103.6, abs=0.06)


def test_without_a_screen_what_came_last_before_the_end_is_in_the_last_line(capsys):
    source = Stream("ended", "process 4711 has ended")
    source.put(HELLO, *frames(whole(10)))
    follow(session(source), None)
    (line,) = capsys.readouterr().out.splitlines()
    assert "tasks/s" in line


# -- windows that are asked for ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "past_s", "window"),
    [
        (2.0, 3.0, {"begin_ns": 97 * SECOND, "length_ns": 5 * SECOND}),
        (None, 3.0, {"begin_ns": 97 * SECOND, "length_ns": limits.DURATION_NS}),
        (2.0, 500.0, {"begin_ns": 0, "length_ns": 102 * SECOND}),
    ],
)
def test_a_recording_says_how_much_of_the_past_it_covers(seconds, past_s, window):
    clock, source = Clock(), Stream()
    end = SourceStatus(StreamState.ENDED)
    clock.then = [lambda: None] * 40 + [lambda: setattr(source, "status", end)]
    session(source, clock).record(seconds, past_s)
    assert source.notes == [{"frame": "window", **window}]


def test_a_window_ends_only_when_its_last_rows_have_come():
    clock, source = Clock(), Stream()
    history = History(1, 101 * SECOND)
    source.put(HELLO, *frames(history))  # complete up to one second after the beginning
    held = session(source, clock)
    late = levels_frame(history, at_ns=102 * SECOND + 100_000_000)
    clock.then = [lambda: None] * 25 + [lambda: source.put(late)]
    held.watch(2.0, 1.0)
    (pool,) = held.reading().pools
    assert (pool.begin_ns, pool.end_ns) == (99 * SECOND, 102 * SECOND)
    assert clock.now == pytest.approx(102.6, abs=0.25)


def test_a_window_is_not_waited_for_without_end():
    clock, source = Clock(), Stream()
    source.put(HELLO, *frames(History(1, 101 * SECOND)))
    session(source, clock).record(2.0)
    assert clock.now == pytest.approx(102.0 + LATEST_SECONDS, abs=0.25)


def test_everything_has_arrived_once_every_open_pool_says_so():
    reached = Reached()
    at = {"frame": "levels", "pool": 0, "at_ns": 5}
    reached.note([{"frame": "from", "pid": 1}, at, {"frame": "from", "pid": 2}, at])
    assert (reached.is_at(5), reached.is_at(6)) == (True, False)
    reached.note([{**at, "at_ns": 9}])
    assert not reached.is_at(6)
    reached.note([{"frame": "from", "pid": 1}, {"frame": "bye"}])
    assert reached.is_at(9)
    reached.note([{"frame": "from", "pid": 2}, {"frame": "names", "pool": 0, "closed_ns": 8}])
    assert reached.is_at(10**18)
