"""The process's registry: names, numbers, the switch, and what a refused declaration returns."""

from __future__ import annotations

import itertools

import pytest

import idlehands
from idlehands import ProbeMisuse, _notes, _pool_registry, _process
from idlehands._pool_frames import names_frame
from idlehands._pool_registry import CLOSED_POOLS_KEPT
from idlehands._tables import MOST_WORKERS

_names = (f"declared-{number}" for number in itertools.count())


@pytest.fixture
def declare():
    """Declare a pool with a name of its own, closed again when the test ends."""
    pools = []

    def declare(name=None, workers=2, **others):
        pool = idlehands.declare_pool(next(_names) if name is None else name, workers, **others)
        pools.append(pool)
        return pool

    yield declare
    for pool in pools:
        pool.close()


def test_a_declared_pool_has_what_it_was_declared_with(declare):
    pool = declare("meadow", 3, kind="one queue")
    assert (pool.name, pool.workers, pool.kind) == ("meadow", 3, "one queue")
    assert [pool.worker(index).index for index in range(3)] == [0, 1, 2]


def test_pools_are_numbered_in_the_order_they_are_declared(declare):
    first, second = declare(), declare()
    assert second.number == first.number + 1


def test_a_pool_is_work_stealing_unless_declared_otherwise(declare):
    assert declare().kind == "work-stealing"


@pytest.mark.parametrize("name", ["", "x" * 201, 7, None, b"meadow"])
def test_a_name_that_is_none_is_refused(name):
    with pytest.raises(ProbeMisuse, match="name is 1 to 200 characters"):
        idlehands.declare_pool(name, 2)


def test_the_longest_name_is_taken(declare):
    assert declare("x" * 200).name == "x" * 200


@pytest.mark.parametrize("workers", [0, -1, MOST_WORKERS + 1, 2.0, "2", None])
def test_a_number_of_workers_out_of_range_is_refused(workers):
    with pytest.raises(ProbeMisuse, match=f"1 to {MOST_WORKERS} workers, not {workers!r}"):
        idlehands.declare_pool(next(_names), workers)


def test_a_name_in_use_is_refused(declare):
    declare("meadow")
    with pytest.raises(ProbeMisuse, match="'meadow' is already open"):
        idlehands.declare_pool("meadow", 2)


def test_closing_a_pool_frees_its_name(declare):
    first = declare("meadow")
    first.close()
    second = declare("meadow")
    assert second.number > first.number
    assert not second.off


def test_closing_twice_keeps_the_time_of_the_first_close(declare):
    pool = declare()
    pool.close()
    closed = pool.closed_ns
    pool.close()
    assert pool.closed_ns == closed > pool.declared_ns


def test_a_pool_whose_probe_failed_can_still_be_closed(declare):
    pool = declare("meadow")
    pool.failed(MemoryError())
    with pytest.raises(ProbeMisuse):
        declare("meadow")
    pool.close()
    assert declare("meadow").number > pool.number


def test_only_the_last_closed_pools_are_kept_where_there_is_room_for_no_more(declare, monkeypatch):
    monkeypatch.setattr(_pool_registry, "CLOSED_BYTES_KEPT", 0)
    pools = [declare() for _ in range(CLOSED_POOLS_KEPT + 3)]
    for pool in pools:
        pool.close()
    _process._process.registry.tidy(has_readers=False)
    kept = [pool for pool in pools if pool in _process._process.registry.present_pools()]
    assert kept == pools[-CLOSED_POOLS_KEPT:]


def test_open_pools_are_all_kept_however_many_there_are(declare):
    pools = [declare() for _ in range(6)]
    assert [pool for pool in pools if pool in _process._process.registry.present_pools()] == pools


@pytest.mark.usefixtures("lenient")
@pytest.mark.parametrize(("name", "workers"), [("", 2), ("odd", 0), ("odd", "2"), ("odd", -3)])
def test_a_refused_pool_gets_a_probe_that_does_nothing_when_not_strict(caplog, name, workers):
    pool = idlehands.declare_pool(name, workers)
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"))
    worker.finished()
    assert pool.off
    assert worker.tasks.written == 0
    _notes.log_pending()
    (record,) = caplog.records
    assert record.name == "idlehands"
    assert "pool not probed" in record.getMessage()
    assert pool not in _process._process.registry.present_pools()


@pytest.mark.usefixtures("lenient")
def test_a_refused_pool_takes_no_memory_for_workers_it_will_not_record():
    pool = idlehands.declare_pool("odd", 10**12)
    assert pool.workers == 10**12
    assert len(pool.probes) == 1
    pool.worker(10**11).finished()


@pytest.mark.usefixtures("lenient")
def test_a_duplicate_gets_a_probe_that_does_nothing_when_not_strict(declare):
    first = declare("meadow")
    second = idlehands.declare_pool("meadow", 2)
    assert second.off
    second.close()
    idlehands.configure(strict=True)
    with pytest.raises(ProbeMisuse):
        declare("meadow")
    assert not first.off


@pytest.mark.parametrize("value", ["off", "OFF", "0", "no"])
def test_the_switch_turns_a_declaration_into_nothing(monkeypatch, value):
    monkeypatch.setenv("IDLEHANDS", value)
    pool = idlehands.declare_pool("meadow", 2)
    assert pool.off
    assert pool not in _process._process.registry.present_pools()


@pytest.mark.parametrize("value", ["on", "1", ""])
def test_any_other_value_of_the_switch_leaves_the_probe_on(monkeypatch, declare, value):
    monkeypatch.setenv("IDLEHANDS", value)
    assert not declare().off


def test_a_process_with_the_switch_off_runs_its_pool_and_opens_nothing(start, folder):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 2)
        again = idlehands.declare_pool("meadow", 2)
        for index in range(2):
            pool.worker(index).bind()
            task(pool.worker(index))
        pool.worker(0).finished()
        pool.worker(17).missed(99)
        pool.close()
        say(threading.active_count())
        say("msgpack" in sys.modules)
        """,
        IDLEHANDS="off",
    )
    assert [target.says(), target.says()] == ["1", "False"]
    assert target.ends() == ""
    assert list(folder.iterdir()) == []


def test_the_strict_switch_of_the_environment_makes_misuse_counted(start):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        pool.worker(0).finished()
        say(pool.misuses)
        """,
        IDLEHANDS_STRICT="off",
    )
    assert target.says() == "1"
    assert target.ends() == ""


def test_a_process_whose_socket_folder_is_refused_says_so_once_and_goes_on(start, folder):
    folder.chmod(0o755)
    target = start(
        """
        from idlehands import _notes
        pool = idlehands.declare_pool("meadow", 2)
        for index in range(2):
            pool.worker(index).bind()
            task(pool.worker(index))
        say(sum(worker.tasks.written for worker in pool.probes))
        until(lambda: not _notes._pending)
        until(lambda: threading.active_count() == 1)
        say(threading.active_count())
        """
    )
    assert [target.says(), target.says()] == ["2", "1"]
    errors = target.ends()
    assert errors.count("nobody can attach to this process") == 1
    assert "chmod 700" in errors


def test_a_process_has_no_thread_and_no_socket_of_ours_until_a_worker_binds(
    start, folder, wait_until
):
    target = start(
        """
        def threads():
            return len(os.listdir("/proc/self/task"))
        say(threads())
        pool = idlehands.declare_pool("meadow", 1)
        task(pool.worker(0))
        say(threads())
        told("bind")
        pool.worker(0).bind()
        told("look")
        say(f"{threads()} {[thread.name for thread in threading.enumerate()]}")
        told("end")
        """
    )
    assert [target.says(), target.says()] == ["1", "1"]
    assert list(folder.iterdir()) == []
    target.tell("bind")
    wait_until(lambda: list(folder.glob("*.sock")))
    target.tell("look")
    assert target.says() == "2 ['MainThread']"
    assert [path.name for path in folder.glob("*.sock")] == [f"{target.pid}.sock"]
    target.tell("end")
    target.ends()


FORKING = """
    def sockets():
        found = set()
        for name in os.listdir("/proc/self/fd"):
            try:
                link = os.readlink(f"/proc/self/fd/{name}")
            except OSError:
                continue
            if link.startswith("socket:"):
                found.add(link)
        return found

    pool = idlehands.declare_pool("meadow", 1)
    worker = pool.worker(0)
    worker.bind()
    task(worker)
    say("bound")
    told("fork")
    before = sockets()
    assert len(before) >= 4, before  # a listener, a waking pair, a reader
    child = os.fork()
    if child == 0:
        say(len(before & sockets()))
        task(worker)
        say(worker.tasks.written)
        own = idlehands.declare_pool("meadow", 1)
        own.worker(0).bind()
        task(own.worker(0), "childs")
        say(os.getpid())
        told("end")
        sys.exit(0)
    os.waitpid(child, 0)
    task(worker)
    say("waited")
    told("end")
"""


def test_a_forked_child_starts_from_nothing_and_is_attached_to_beside_its_parent(
    start, attach, folder, received
):
    target = start(FORKING)
    assert target.says() == "bound"
    parents = attach(target.pid)
    parents.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    target.tell("fork")
    assert target.says() == "0", "the child holds a socket of its parent"
    assert target.says() == "1", "the child recorded into its parent's pool"
    child = int(target.says())
    childs = attach(child)
    childs.take_until(lambda frames: any(frame["frame"] == "rows" for frame in frames))
    assert childs.frames[0]["pid"] == child
    target.tell("end")
    assert childs.take_all()[-1]["frame"] == "bye"
    # From 3.12 on the parent answers again with its first task after the fork.
    assert target.says() == "waited"
    again = attach(target.pid)
    again.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    assert again.frames[0]["pid"] == parents.frames[0]["pid"] == target.pid
    assert [f["task_kinds"] for f in childs.frames if f["frame"] == "names"] == [["childs"]]
    target.tell("end")
    assert parents.take_all()[-1]["frame"] == "bye"
    assert received(parents.frames, "tasks", 0).rows == 2
    target.ends()
    assert list(folder.iterdir()) == []


def test_a_fork_while_another_thread_holds_a_pools_lock_leaves_the_child_free(start):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        with pool.rare:
            child = os.fork()
            if child == 0:
                own = idlehands.declare_pool("orchard", 1)
                own.worker(0).bind()
                own.cancelled(own.spawned("sow"))
                say(own.cancellations.written)
                os._exit(0)
        os.waitpid(child, 0)
        """
    )
    assert target.says() == "1"
    target.ends()


@pytest.mark.parametrize("named", [{"contention": True}, {"meetings": True}], ids=str)
def test_a_pool_declares_that_it_reports_contention_under_either_name(declare, named):
    assert names_frame(declare(**named))["tells_meetings"] is True
    assert names_frame(declare())["tells_meetings"] is False
