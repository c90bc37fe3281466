"""The publisher over real sockets: what a reader gets of a real process, and what that costs it.

The targets run in processes of their own. Nothing here asserts a time: bounded structures and exact
counts show that a slow reader does no harm.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import struct
import subprocess
import sys
import textwrap

import pytest

from idlehands import _reader
from idlehands._frames import PACKED_ROWS_PER_FRAME
from idlehands._packed_rows import TASK_BYTES
from idlehands._tables import STEAL_ATTEMPTS, TASKS
from idlehands._wire import VERSION
from idlehands._worker import TASK_ROWS_PER_POOL

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")


def kinds(frames):
    return [frame["frame"] for frame in frames]


def of_kind(frames, kind):
    return [frame for frame in frames if frame["frame"] == kind]


def seen(kind, times=1):
    return lambda frames: kinds(frames).count(kind) >= times


def attempts(frame):
    """Return the rows of a frame of counters: thief, victim, hits, empties, lost races."""
    columns = [frame["columns"][name] for name in STEAL_ATTEMPTS]
    return sorted(zip(*(struct.unpack(f"<{len(data) // 8}q", data) for data in columns)))


SMALL = """
    pools = [idlehands.declare_pool(name, 2, kind="one queue") for name in ("meadow", "orchard")]
    for pool in pools:
        worker = pool.worker(0)
        worker.bind()
        worker.searching()
        worker.missed(1)
        worker.missed(1)
        worker.stolen(1)
        worker.lost_race(1)
        worker.running(worker.spawned("sow"), 1)
        worker.waiting()
        task(worker, "reap")
        worker.resumed()
        worker.finished()
        pool.cancelled(pool.spawned("sow"))
        worker.running(pool.spawned("sow"), idlehands.INBOX)
    pools[0].expose_depths(lambda: (4, [1, 2]))
    say("ready")
    told("end")
"""


def test_a_stream_opens_with_hello_then_all_names_then_rows_then_levels(start, attach):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels", 2))
    said = kinds(reader.frames)
    assert said[:3] == ["hello", "names", "names"]
    assert set(said[3 : said.index("levels")]) == {"rows", "counters"}
    pools = [frame["pool"] for frame in reader.frames[3:] if "pool" in frame]
    second = pools.index(1)
    assert set(pools[:second]) == {0}
    assert said[3 + second - 1] == "levels"


def test_hello_says_whose_stream_it_is(start, attach):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("hello"))
    hello = reader.frames[0]
    assert hello["version"] == VERSION
    assert hello["pid"] == target.pid
    assert hello["argv0"].endswith(".py")
    assert hello["python"] == sys.version.split()[0]
    assert hello["now_ns"] > 0
    assert hello["wall_ns"] > hello["now_ns"]


def test_names_frames_list_pools_kinds_and_bound_threads(start, attach):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("names", 2))
    names = of_kind(reader.frames, "names")
    assert [frame["name"] for frame in names] == ["meadow", "orchard"]
    assert {frame["pool_kind"] for frame in names} == {"one queue"}
    assert {frame["workers"] for frame in names} == {2}
    assert {frame["closed_ns"] for frame in names} == {-1}
    assert names[0]["task_kinds"] == ["sow", "reap"]
    ((index, native_id, _, name, pid),) = names[0]["threads"]
    assert pid == target.pid
    assert (index, native_id, name) == (0, target.pid, "MainThread")


def test_what_was_recorded_before_anybody_attached_arrives_row_for_row(start, attach, received):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("cost"))
    for pool in (0, 1):
        tasks = received(reader.frames, "tasks", 0, pool)
        assert tuple(tasks.columns) == TASKS.names
        assert tasks.columns["task"] == [1, 0]
        assert tasks.columns["parent"] == [-1, -1]
        assert tasks.columns["kind"] == [1, 0]
        assert tasks.columns["taken_from"] == [-1, 1]
        assert received(reader.frames, "tasks", -1, pool).columns["outcome"] == [2]
        assert len(received(reader.frames, "spawns", -1, pool).columns["spawned_ns"]) == 4
        assert received(reader.frames, "waits", 0, pool).columns["helped"] == [1]
        assert received(reader.frames, "gaps", 0, pool).columns["attempts"] == [4]


def test_levels_frames_hold_depths_and_open_intervals(start, attach):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("cost"))
    with_depths, without = of_kind(reader.frames, "levels")[:2]
    assert (with_depths["inbox"], with_depths["deques"]) == (4, [1, 2])
    assert (without["inbox"], without["deques"]) == (-1, [])
    ((task,), nothing) = with_depths["workers"]
    assert (task[0], task[1], task[-1]) == (0, 3, -2)
    assert nothing == []


def test_counters_hold_attempts_per_victim_and_are_sent_again_only_after_a_change(start, attach):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 3)
        worker = pool.worker(0)
        worker.bind()
        worker.missed(1); worker.missed(2); worker.missed(2)
        worker.stolen(1)
        worker.lost_race(2)
        say("ready")
        told("again")
        worker.missed(1)
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels", 3))
    (counters,) = of_kind(reader.frames, "counters")
    assert attempts(counters) == [(0, 1, 1, 1, 0), (0, 2, 0, 2, 1)]
    target.tell("again")
    reader.take_until(seen("counters", 2))
    assert attempts(of_kind(reader.frames, "counters")[1]) == [(0, 1, 0, 1, 0)]


def test_a_failing_depth_callable_is_no_more_than_depths_not_known(start, attach):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        pool.expose_depths(lambda: 1 // 0)
        pool.worker(0).bind()
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels", 2))
    assert {frame["inbox"] for frame in of_kind(reader.frames, "levels")} == {-1}
    target.tell("end")
    assert target.ends() == ""


def test_names_come_again_when_a_kind_or_a_pool_is_new_or_a_pool_closes(start, attach):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        pool.worker(0).bind()
        say("ready")
        told("kind"); pool.spawned("sow")
        told("pool"); other = idlehands.declare_pool("orchard", 1)
        told("close"); pool.close()
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("names", 1))
    for times, word in enumerate(("kind", "pool", "close"), start=2):
        target.tell(word)
        reader.take_until(seen("names", times))
    first, second, third, fourth = of_kind(reader.frames, "names")
    assert (first["task_kinds"], second["task_kinds"]) == ([], ["sow"])
    assert (third["pool"], third["name"]) == (1, "orchard")
    assert fourth["pool"] == 0
    assert fourth["closed_ns"] >= fourth["declared_ns"]


BUSY = """
    pool = idlehands.declare_pool("meadow", 4)
    go = threading.Event()

    def work(index):
        worker = pool.worker(index)
        worker.bind()
        for number in range(3000):
            if number == 1500:
                go.wait()
            task(worker, "sow", number)
            if number % 10 == 0:
                worker.searching()
                worker.missed((index + 1) % 4)
                worker.parked()
                worker.unparked()
    threads = [threading.Thread(target=work, args=(index,)) for index in range(4)]
    for thread in threads:
        thread.start()
    until(lambda: all(worker.tasks.written >= 1500 for worker in pool.probes))
    say("half")
    told("go")
    go.set()
    for thread in threads:
        thread.join()
"""


def test_everything_recorded_reaches_each_of_two_readers_exactly_once(start, attach, received):
    target = start(BUSY)
    assert target.says() == "half"
    readers = [attach(target.pid), attach(target.pid)]
    for reader in readers:
        reader.take_until(seen("levels"))
    target.tell("go")
    for reader in readers:
        reader.take_in_thread()
    for reader in readers:
        frames = reader.take_all()
        assert kinds(frames)[-1] == "bye"
        assert of_kind(frames, "lost") == []
        for worker in range(4):
            tasks = received(frames, "tasks", worker)
            assert tasks.columns["size"] == list(range(3000))
            assert received(frames, "gaps", worker).rows == 600
        assert len(received(frames, "spawns", -1).columns["spawned_ns"]) == 12_000
    target.ends()


def test_a_reader_that_leaves_does_not_disturb_the_other(start, attach, received):
    target = start(BUSY)
    assert target.says() == "half"
    leaving, staying = attach(target.pid), attach(target.pid)
    leaving.take_until(seen("rows"))
    staying.take_until(seen("levels"))
    leaving.clear_away()
    target.tell("go")
    frames = staying.take_all()
    assert kinds(frames)[-1] == "bye"
    assert received(frames, "spawns", -1).rows == 12_000
    target.ends()


def test_what_a_reader_says_is_ignored(start, attach):
    target = start(SMALL)
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.socket.sendall(b"\xff" * 8_000)
    reader.take_until(seen("levels", 10))  # two pools; by the fifth flush both chunks are read
    target.tell("end")
    assert kinds(reader.take_all())[-1] == "bye"
    assert target.ends() == ""


# A reader that stops reading

STALLED = """
    from idlehands import _reader
    pool = idlehands.declare_pool("meadow", 1)
    worker = pool.worker(0)
    worker.bind()
    say("ready")
    told("write")
    readers = publisher().readers
    until(lambda: len(readers.attached) == 2 and readers.attached[1].wants_rows)
    stalled, live = readers.attached
    most = 0

    def write(count):
        global most
        for _ in range(count):
            task(worker)
        most = max(most, len(stalled.backlog))

    deadline = time.monotonic() + 30
    while len(stalled.backlog) < _reader.BACKLOG_BYTES and time.monotonic() < deadline:
        write(500)
        time.sleep(0.001)
    flushes = live.flushes
    for _ in range(100):
        write(1000)
    while live.flushes < flushes + 3 and time.monotonic() < deadline:
        write(100)
        time.sleep(0.001)
    say(most)
    say(live.flushes - flushes)
    say(len(worker.tasks.slots))
    say(worker.tasks.written)
    told("end")
"""


def stalled_target(start, attach):
    """Return a target, what it said, a reader that did not read, and one that does."""
    target = start(STALLED)
    assert target.says() == "ready"
    stalled = attach(target.pid)
    stalled.take_until(seen("levels"))
    live = attach(target.pid)
    live.take_in_thread()
    target.tell("write")
    said = [int(target.says()) for _ in range(4)]
    return target, said, stalled, live


def test_a_reader_that_stops_reading_costs_a_bounded_backlog_and_nobody_else_waits(start, attach):
    target, (most, flushes, slots, written), _, _live = stalled_target(start, attach)
    one_frame = PACKED_ROWS_PER_FRAME * TASK_BYTES + 1000
    assert _reader.BACKLOG_BYTES <= most <= _reader.BACKLOG_BYTES + one_frame
    assert flushes >= 3, "the other reader got nothing meanwhile"
    assert slots == TASK_ROWS_PER_POOL
    assert written >= 100_000
    target.tell("end")
    target.ends()


def test_a_reader_that_stops_reading_for_a_while_knows_exactly_what_it_lost(
    start, attach, received
):
    target, (_, _, _, written), stalled, live = stalled_target(start, attach)
    stalled.take_until(lambda frames: received(frames, "tasks", 0).lost > 0)
    before = kinds(stalled.frames).count("levels")
    stalled.take_until(seen("levels", before + 2))
    target.tell("end")
    for reader in (stalled, live):
        frames = reader.take_all()
        assert kinds(frames)[-1] == "bye"
        for table, worker in (("tasks", 0), ("spawns", -1)):
            rows = received(frames, table, worker)
            assert rows.rows + rows.lost == written
            if table == "tasks":
                numbers = rows.columns["task"]
                assert numbers == sorted(set(numbers))
                assert numbers[-1] == written - 1
    assert received(stalled.frames, "tasks", 0).lost > 0
    target.ends()


def test_after_a_loss_one_flush_brings_everything_that_is_still_kept(start, attach, received):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        for _ in range(40_000):
            task(worker)
        worker.bind()
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels"))
    tasks = received(reader.frames, "tasks", 0)
    assert tasks.rows == TASK_ROWS_PER_POOL - 1
    assert tasks.lost == 40_000 - tasks.rows
    spawns = received(reader.frames, "spawns", -1)
    assert spawns.rows + spawns.lost == 40_000
    target.tell("end")
    target.ends()


# The end of a process


def test_the_last_rows_and_bye_arrive_at_a_normal_end_and_the_socket_goes(
    start, attach, folder, received
):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        say("ready")
        told("end")
        for _ in range(7000):
            task(worker)
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels"))
    target.tell("end")
    frames = reader.take_all()
    assert frames[-1] == {"frame": "bye", "reason": "the process ends"}
    assert kinds(frames).count("bye") == 1
    assert received(frames, "tasks", 0).rows == 7000
    assert "levels" in kinds(frames)[-4:]
    target.ends()
    assert list(folder.iterdir()) == []


def test_an_end_by_an_uncaught_exception_says_bye_too(start, attach, folder):
    target = start(
        """
        idlehands.declare_pool("meadow", 1).worker(0).bind()
        say("ready")
        told("end")
        raise SystemExit(3)
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels"))
    target.tell("end")
    assert kinds(reader.take_all())[-1] == "bye"
    target.process.wait(30)
    assert target.process.returncode == 3
    assert list(folder.iterdir()) == []


BACKED_UP = """
    from idlehands import _reader, _readers
    _readers.REST_SECONDS = {seconds}
    pool = idlehands.declare_pool("meadow", 1)
    worker = pool.worker(0)
    worker.bind()
    say("ready")
    told("write")
    until(lambda: [r.wants_rows for r in publisher().readers.attached] == [True] * {readers})
    stalled = publisher().readers.attached[0]
    for _ in range(30_000):
        task(worker)
    until(lambda: len(stalled.backlog) >= _reader.BACKLOG_BYTES)
    for reader in publisher().readers.attached[1:]:
        flushes = reader.flushes
        until(lambda: reader.flushes > flushes + 1 and not reader.backlog)
    task(worker)
    say("backed up")
"""


def test_a_reader_far_behind_at_the_end_still_gets_the_last_rows_and_bye(start, attach, received):
    target = start(BACKED_UP.format(seconds=30, readers=1))
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels"))
    target.tell("write")
    assert target.says() == "backed up"
    frames = reader.take_all()
    assert kinds(frames)[-1] == "bye"
    tasks = received(frames, "tasks", 0)
    assert tasks.rows + tasks.lost == 30_001
    target.ends()


def test_a_reader_that_never_reads_again_cannot_keep_the_others_from_their_bye(start, attach):
    target = start(BACKED_UP.format(seconds=2, readers=2))
    assert target.says() == "ready"
    stalled = attach(target.pid)
    stalled.take_until(seen("levels"))
    live = attach(target.pid)
    live.take_in_thread()
    target.tell("write")
    assert target.says() == "backed up"
    assert kinds(live.take_all())[-1] == "bye"
    target.ends()


def test_a_killed_process_leaves_a_socket_that_the_next_of_its_name_replaces(
    start, attach, folder, wait_until
):
    killed = start(SMALL)
    assert killed.says() == "ready"
    attach(killed.pid)
    os.kill(killed.pid, signal.SIGKILL)
    killed.process.wait(30)
    stale = folder / f"{killed.pid}.sock"
    assert stale.is_socket()
    following = start(
        """
        say("started")
        told("bind")
        idlehands.declare_pool("meadow", 1).worker(0).bind()
        say("bound")
        told("end")
        """
    )
    assert following.says() == "started"
    its = folder / f"{following.pid}.sock"
    stale.rename(its)  # as if it had been given the same number
    following.tell("bind")
    assert following.says() == "bound"

    def answers():
        with socket.socket(socket.AF_UNIX) as caller, contextlib.suppress(OSError):
            caller.connect(str(its))
            return True

    wait_until(answers)
    assert [path.name for path in folder.glob("*.sock")] == [f"{following.pid}.sock"]
    reader = attach(following.pid)
    reader.take_until(seen("names"))
    assert reader.frames[0]["pid"] == following.pid


# Harm that must not come to the host


@as_root
def test_a_caller_of_another_user_is_turned_away_without_a_word(start, attach, folder):
    target = start(SMALL)
    assert target.says() == "ready"
    attach(target.pid)  # so that its socket is there
    folder.chmod(0o755)  # the folder keeps others out already; here only the second lock holds
    (folder / f"{target.pid}.sock").chmod(0o666)
    calling = f"""
        import os, socket
        os.setegid(65534)
        os.seteuid(65534)
        caller = socket.socket(socket.AF_UNIX)
        caller.settimeout(30)
        caller.connect("{target.pid}.sock")
        print(len(caller.recv(1000)))
    """
    result = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(calling)],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert result.stdout.strip() == "0"
    folder.chmod(0o700)
    attach(target.pid).take_until(seen("levels"))


def test_a_host_that_restored_sigpipe_survives_a_reader_that_goes(start):
    target = start(
        """
        import signal, socket
        from idlehands._reader import Reader
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        reader = Reader(ours, [])
        reader.fill(None, start=False)
        theirs.close()
        say(reader.send())
        ours.close()
        """
    )
    assert target.says() == "False"
    target.ends()


def test_a_process_out_of_descriptors_does_not_spin_and_serves_the_caller_later(start, attach):
    target = start(
        """
        import resource
        from idlehands import _publisher
        attempts = 0
        accept = _publisher.Publisher._accept
        def counted(self):
            global attempts
            attempts += 1
            accept(self)
        _publisher.Publisher._accept = counted
        pool = idlehands.declare_pool("meadow", 1)
        pool.worker(0).bind()
        say("ready")
        told("exhaust")
        (first,) = publisher().readers.attached
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        taken = []
        resource.setrlimit(resource.RLIMIT_NOFILE, (64, hard))
        try:
            while True:
                taken.append(os.dup(0))
        except OSError:
            pass
        flushes, before = first.flushes, attempts
        say("exhausted")
        until(lambda: first.flushes >= flushes + 5 and attempts > before)
        tries = attempts - before
        during = first.flushes - flushes
        for descriptor in taken:
            os.close(descriptor)
        say(tries)
        say(during)
        told("end")
        """
    )
    assert target.says() == "ready"
    first = attach(target.pid)
    first.take_until(seen("levels"))
    target.tell("exhaust")
    assert target.says() == "exhausted"
    first.take_in_thread()
    second = attach(target.pid)
    tries, flushes = int(target.says()), int(target.says())
    assert tries <= 10 * flushes
    second.take_until(seen("levels"))
    target.tell("end")
    assert kinds(second.take_all())[-1] == "bye"
    target.ends()


def test_pools_that_come_and_go_while_watched_are_read_to_their_end_and_let_go(
    start, attach, received
):
    target = start(
        """
        from idlehands import _pool_registry
        _pool_registry.CLOSED_BYTES_KEPT = _pool_registry.UNREAD_BYTES_KEPT = 0
        first = idlehands.declare_pool("first", 1)
        first.worker(0).bind()
        say("ready")
        told("go")
        (reader,) = publisher().readers.attached
        for number in range(8):
            pool = idlehands.declare_pool(f"pool-{number}", 1)
            seen = reader.flushes
            until(lambda: reader.flushes > seen + 1)
            for _ in range(50):
                task(pool.worker(0))
            pool.close()
        del pool
        seen = reader.flushes
        until(lambda: reader.flushes > seen + 1)
        until(lambda: len(reader.cursors) == 3)  # one open, two closed ones kept
        say("let go")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels"))
    reader.take_in_thread()
    target.tell("go")
    assert target.says() == "let go"
    target.tell("end")
    frames = reader.take_all()
    for pool in range(1, 9):
        assert received(frames, "tasks", 0, pool).rows == 50
    target.ends()


def test_a_pool_dropped_between_two_flushes_is_still_read_to_its_end(start, attach, received):
    target = start(
        """
        pools = [idlehands.declare_pool(f"pool-{number}", 1) for number in range(6)]
        pools[0].worker(0).bind()
        say("ready")
        told("go")
        for pool in pools:
            for _ in range(50):
                task(pool.worker(0))
        for pool in pools:
            pool.close()
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(seen("levels", 6))
    target.tell("go")
    target.tell("end")
    frames = reader.take_all()
    assert [received(frames, "tasks", 0, pool).rows for pool in range(6)] == [50] * 6
    target.ends()


def test_a_publisher_that_fails_says_so_once_and_leaves_the_pools_alone(start, attach, folder):
    target = start(
        """
        from idlehands import _readers
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        broken = publisher()
        say("ready")
        told("break")
        def fail(*_):
            raise MemoryError("no frames today")
        _readers.Reader = fail
        say("broken")
        until(lambda: not broken.is_running)
        for _ in range(10):
            task(worker)
        worker.bind()
        say(worker.tasks.written)
        say(pool.off)
        """
    )
    assert target.says() == "ready"
    target.tell("break")
    assert target.says() == "broken"
    assert attach(target.pid).take_all() == []
    assert [target.says(), target.says()] == ["10", "False"]
    errors = target.ends()
    assert errors.count("nobody can attach to this process any more") == 1
    assert "no frames today" in errors
    assert list(folder.iterdir()) == []


def test_the_cost_frame_counts_what_was_recorded_and_sent(start, attach):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        for _ in range(2000):
            task(worker)
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    # What was recorded is looked at once a second, so the first frame may come too early to say.
    reader.take_until(
        lambda frames: any(cost["recording_ns"] > 0 for cost in of_kind(frames, "cost"))
    )
    cost = of_kind(reader.frames, "cost")[-1]
    assert cost["sending_ns"] > 0
    assert cost["at_ns"] >= reader.frames[0]["now_ns"]
