"""The memory that worker processes share with their pool's owner: who has it, and who may write.

Workers here are forked from the test, as the owner is the test itself.
"""

from __future__ import annotations

import contextlib
import gc
import os
import random
import signal
import sys
import threading
import time
import warnings
import weakref

import pytest
from probes_frames import columns_of

from idlehands import _shared_slots, _slot_layout, _slots_pool
from idlehands._descriptors import identity_of
from idlehands._detail import FULL, THINNED, THINNING_FACTOR
from idlehands._frames import Cursor
from idlehands._shared_slots import SharedSlots
from idlehands._slot_layout import SLOT_CELLS
from idlehands._slot_worker import leave, worker_of
from idlehands._slots_link import Link
from idlehands._slots_pool import SlotsPool
from idlehands._tables import DIED, FAILED, LEFT, LOST, NONE
from idlehands.adapters._executors import ExecutorReporter
from idlehands.wire import Decoder


def token(number):
    return (number, NONE, 0, 1, NONE, NONE)


# Who runs these tests may have threads of its own; the children forked here are simple.
pytestmark = pytest.mark.filterwarnings("ignore:This process .* is multi-threaded")


@pytest.fixture
def slots_pool():
    """Make a pool with so many shared slots."""

    def make(slots: int = 4) -> SlotsPool:
        return SlotsPool("orchard", "process pool", 0, slots, Link.create(slots))

    return make


@pytest.fixture
def in_child():
    """Run a function in a forked process; return its process id, once it has ended."""
    children = []

    def run(work, *, wait: bool = True) -> int:
        child = os.fork()
        if child == 0:
            status = 1
            try:
                work()
                status = 0
            finally:
                os._exit(status)
        children.append(child)
        if wait:
            assert os.waitpid(children.pop(), 0)[1] == 0
        return child

    yield run
    for child in children:
        with contextlib.suppress(ProcessLookupError, ChildProcessError):
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


def work_and_die(link, tasks=1, in_task=False):
    def work():
        worker = worker_of(link)
        for number in range(tasks):
            worker.running(token(number))
            worker.finished()
        if in_task:
            worker.running(token(tasks))

    return work


def memory_descriptors():
    """Return the descriptors of this process that lead to shared memory."""
    found = []
    for name in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):
            if "idlehands-slots" in os.readlink(f"/proc/self/fd/{name}"):
                found.append(int(name))
    return found


def rows(ring):
    _, read = ring.read(0, 1 << 20)
    return len(read)


def sent(cursor):
    """Return what a reader is sent: the decoded frames."""
    data = b"".join([*cursor.names(), *cursor.frames()])
    return Decoder().feed(data)


def task_numbers(frames):
    return [
        number
        for frame in frames
        if frame["frame"] == "rows" and frame["table"] == "tasks"
        for number in columns_of(frame)["task"]
    ]


def lost_rows(frames):
    return sum(frame["rows"] for frame in frames if frame["frame"] == "lost")


def test_shared_slots_take_one_descriptor_and_give_it_back(slots_pool):
    before = memory_descriptors()
    pool = slots_pool()
    assert len(memory_descriptors()) == len(before) + 1
    del pool
    gc.collect()
    assert memory_descriptors() == before


def test_a_file_of_the_jobs_under_a_lost_descriptors_number_is_left_alone(tmp_path, slots_pool):
    pool = slots_pool()
    (number,) = memory_descriptors()
    path = tmp_path / "logbook"
    path.write_bytes(bytes(_slot_layout.SLOT_BYTES * 4))
    file = os.open(path, os.O_RDWR)
    os.dup2(file, number)
    pool.link.shared.memory[:8] = b"not this"
    with pool.link.shared.locked(0.0) as is_held:
        assert not is_held
    pool.refresh(at_once=True)
    del pool
    gc.collect()
    assert os.fstat(number).st_ino == os.fstat(file).st_ino, "the job's descriptor was closed"
    assert path.read_bytes() == bytes(_slot_layout.SLOT_BYTES * 4)
    os.close(number)
    os.close(file)


def test_a_worker_goes_on_through_its_mapping_when_its_descriptors_are_closed(slots_pool, in_child):
    pool = slots_pool()

    def work():
        os.closerange(3, 256)
        work_and_die(pool.link, tasks=3)()
        leave(pool.link)

    in_child(work)
    pool.refresh(at_once=True)
    assert pool.probes[0].tasks_run == 3
    assert rows(pool.probes[0].lifetimes) == 1


def test_no_process_can_make_the_shared_memory_shorter(slots_pool):
    pool = slots_pool()
    (number,) = memory_descriptors()
    for size in (0, 1 << 30):
        with pytest.raises(PermissionError):
            os.ftruncate(number, size)
    assert pool.link.shared is not None


def test_a_descriptor_that_leads_elsewhere_is_not_mapped(tmp_path, slots_pool):
    pool = slots_pool()
    mapping = pool.link.shared.mapping
    size = _slot_layout.SLOT_BYTES * 4
    path = tmp_path / "logbook"
    path.write_bytes(bytes(size))
    unsealed = os.memfd_create("another")
    os.ftruncate(unsealed, size)
    with open(path, "r+b") as file:
        with pytest.raises(ValueError, match="elsewhere"):
            type(mapping).receive(file.fileno(), size, mapping.identity)
        for number in (file.fileno(), unsealed):
            with pytest.raises((ValueError, OSError)):
                type(mapping).receive(number, size, identity_of(number))
            os.fstat(number)  # open still
    os.close(unsealed)


def test_a_dead_worker_is_retired_once_though_two_threads_find_it(
    monkeypatch, slots_pool, in_child
):
    pool = slots_pool()
    in_child(work_and_die(pool.link, in_task=True))
    looking = threading.Barrier(2)
    is_dead = SharedSlots.is_dead

    def slowly(shared, slot):
        answer = is_dead(shared, slot)
        with contextlib.suppress(threading.BrokenBarrierError):
            looking.wait(0.2)  # both have seen that it is dead, if both may check
        return answer

    monkeypatch.setattr(SharedSlots, "is_dead", slowly)
    threads = [threading.Thread(target=pool.refresh, kwargs={"at_once": True}) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert rows(pool.probes[0].lifetimes) == 1
    assert pool.probes[0].tasks.written == 2


def test_threads_that_find_new_workers_at_once_count_each_once(slots_pool, in_child):
    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        for _ in range(50):
            pool = slots_pool(12)
            cells = pool.link.shared.cells
            for slot in range(12):
                cells[slot * SLOT_CELLS + _slot_layout.LIFETIMES_WRITTEN] = 1
            start = threading.Barrier(4)

            def look(pool=pool, start=start):
                start.wait()
                pool.refresh()

            threads = [threading.Thread(target=look) for _ in range(4)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            assert [probe.index for probe in pool.probes] == list(range(12))
    finally:
        sys.setswitchinterval(interval)


def test_a_forked_process_does_not_inherit_the_lock_of_another_thread(slots_pool, in_child):
    pool, other = slots_pool(), slots_pool()

    def fork_beside_a_thread_that_holds_it():
        warnings.simplefilter("ignore")  # of the thread, which Python 3.12 and later warn of
        held, done = threading.Event(), threading.Event()

        def hold():
            with pool.link.shared.locked(1.0):
                held.set()
                done.wait(30)

        thread = threading.Thread(target=hold)
        thread.start()
        held.wait(30)
        child = os.fork()
        if child == 0:
            with other.link.shared.locked(0.0) as is_held:
                os._exit(0 if is_held else 1)
        status = os.waitpid(child, 0)[1]
        done.set()
        thread.join()
        assert status == 0

    in_child(fork_beside_a_thread_that_holds_it)


def test_a_stopped_process_that_holds_the_lock_holds_up_nobody_for_long(slots_pool, in_child):
    pool = slots_pool()
    in_child(work_and_die(pool.link))
    read, write = os.pipe()

    def hold():
        with pool.link.shared.locked(1.0):
            os.write(write, b"x")
            time.sleep(60)

    in_child(hold, wait=False)
    os.read(read, 1)
    os.close(read)
    os.close(write)
    began = time.monotonic()
    pool.refresh(at_once=True)
    assert time.monotonic() - began < 5
    in_child(work_and_die(pool.link, tasks=2))
    assert sum(probe.tasks.written for probe in pool.probes) == 1
    pool.refresh()
    assert sum(probe.tasks.written for probe in pool.probes) == 3


def test_the_lock_of_a_process_that_dies_is_free(slots_pool, in_child):
    pool = slots_pool()

    def die():
        with pool.link.shared.locked(1.0) as is_held:
            os._exit(0 if is_held else 1)

    in_child(die)
    with pool.link.shared.locked(0.0) as is_held:
        assert is_held


def test_a_task_whose_row_is_there_is_not_lost_as_well(slots_pool, in_child):
    pool = slots_pool()

    def die_between():
        worker = worker_of(pool.link)
        worker.running(token(0))
        started = pool.link.shared.cells[_slot_layout.STARTED]
        worker.finished()
        pool.link.shared.cells[_slot_layout.STARTED] = started

    in_child(die_between)
    pool.refresh(at_once=True)
    assert pool.probes[0].tasks.written == 1
    _, lifetimes = pool.probes[0].lifetimes.read(0, 8)
    assert list(lifetimes.column("how")) == [LEFT]


def test_the_task_of_a_worker_that_exits_in_it_is_lost(slots_pool, in_child):
    pool = slots_pool()
    in_child(work_and_die(pool.link, tasks=1, in_task=True))
    pool.refresh(at_once=True)
    _, tasks = pool.probes[0].tasks.read(0, 8)
    assert list(tasks.column("outcome")) == [0, LOST]
    _, lifetimes = pool.probes[0].lifetimes.read(0, 8)
    assert list(lifetimes.column("how")) == [DIED]


def test_a_process_id_that_another_process_has_by_now_is_a_dead_workers(slots_pool):
    pool = slots_pool()
    cells = pool.link.shared.cells
    cells[_slot_layout.JOINED], cells[_slot_layout.TICKS] = (
        5,
        _shared_slots.start_ticks(os.getpid()) - 1,
    )
    cells[_slot_layout.PID] = os.getpid()
    pool.refresh(at_once=True)
    assert cells[_slot_layout.PID] == 0
    assert rows(pool.probes[0].lifetimes) == 1


def test_a_worker_that_cannot_be_seen_in_proc_is_alive_as_long_as_it_is(
    monkeypatch, slots_pool, in_child
):
    pool = slots_pool()
    monkeypatch.setattr(_shared_slots, "start_ticks", lambda pid: NONE)
    read, write = os.pipe()

    def stay():
        worker_of(pool.link)
        os.write(write, b"x")
        time.sleep(60)

    child = in_child(stay, wait=False)
    os.read(read, 1)
    os.close(read)
    os.close(write)
    pool.refresh(at_once=True)
    assert pool.workers_present() == 1
    os.kill(child, signal.SIGKILL)
    os.waitid(os.P_PID, child, os.WEXITED | os.WNOWAIT)
    os.waitpid(child, 0)
    pool.refresh(at_once=True)
    assert pool.workers_present() == 0


def test_a_process_forked_from_a_worker_writes_into_no_slot_but_its_own(slots_pool, in_child):
    pool = slots_pool()

    def work():
        worker = worker_of(pool.link)
        worker.running(token(0))
        child = os.fork()
        if child == 0:  # which goes on as a worker, as a task that forks and returns does
            own = worker_of(pool.link)
            own.finished()
            own.running(token(1))
            own.finished()
            os._exit(0)
        os.waitpid(child, 0)
        worker.finished()

    in_child(work)
    pool.refresh(at_once=True)
    assert [list(probe.tasks.read(0, 8)[1].column("task")) for probe in pool.probes] == [[0], [1]]


def test_a_worker_that_was_taken_for_dead_writes_nothing_more(slots_pool, in_child):
    pool = slots_pool()

    def work():
        worker = worker_of(pool.link)
        worker.running(token(0))
        shared = pool.link.shared
        shared.retire(0)
        shared.cells[_slot_layout.JOINED] = 7  # another has it now
        worker.finished()
        worker.running(token(1))
        worker.finished()
        worker.leave()

    in_child(work)
    pool.refresh(at_once=True)
    _, tasks = pool.probes[0].tasks.read(0, 8)
    assert list(tasks.column("outcome")) == [LOST]
    assert rows(pool.probes[0].lifetimes) == 1


def test_worker_processes_past_the_last_slot_run_unrecorded_and_the_owner_says_so_once(
    monkeypatch, slots_pool, in_child
):
    messages = []
    monkeypatch.setattr(_slots_pool, "warn", lambda *message: messages.append(message))
    pool = slots_pool(2)
    read, write = os.pipe()
    ready, tell = os.pipe()

    def stay():
        worker = worker_of(pool.link)
        os.write(tell, b"y" if worker is not None else b"n")
        os.read(read, 1)

    for _ in range(4):
        in_child(stay, wait=False)
    answers = b""
    while len(answers) < 4:
        answers += os.read(ready, 4)
    pool.refresh(at_once=True)
    pool.refresh(at_once=True)
    assert sorted(answers) == sorted(b"yynn")
    assert len(messages) == 1
    for end in (read, write, ready, tell):
        os.close(end)


@pytest.mark.parametrize(
    "damage",
    [b"\xff" * 8, b"\x00" * 8, b"\xff" * 7 + b"\x7f", b"\x00" * 7 + b"\x80", None],
    ids=["-1", "0", "most", "least", "random"],
)
def test_whatever_the_job_writes_into_the_shared_slots_nothing_fails(damage, slots_pool, in_child):
    pool = slots_pool(4)
    pool.add_kind("sow")
    worker = worker_of(pool.link)
    shared = pool.link.shared
    cursor = Cursor(pool)
    dice = random.Random(7)
    for _ in range(3):
        worker.running(token(3))
        size = len(shared.memory)
        shared.memory[:] = dice.randbytes(size) if damage is None else damage * (size // 8)
        worker.finished(FAILED, KeyError)
        worker.running(token(4))
        worker.amend(FAILED, KeyError)
        worker.leave()
        pool.refresh(at_once=True)
        pool.work_recorded()
        frames = sent(cursor)
        assert sum(frame.get("rows", 0) for frame in frames if frame["frame"] == "rows") < 1 << 14
        in_child(work_and_die(pool.link, tasks=2, in_task=True))
        pool.last_tasks()
    pool.turn_to(2)
    pool.compact()
    sent(cursor)


def test_a_closed_pool_has_no_shared_memory_and_reads_as_before(slots_pool, in_child):
    before = memory_descriptors()
    pool, link = slots_pool(), None
    pool.add_kind("sow")
    for tasks in (3, 1500, 40):
        in_child(work_and_die(pool.link, tasks=tasks, in_task=True))
    pool.refresh(at_once=True)
    early, late = Cursor(pool), Cursor(pool)
    first = sent(early)
    link = pool.link
    pool.close()
    pool.compact()
    gc.collect()
    assert link.shared is None
    assert memory_descriptors() == before
    assert task_numbers(sent(early)) == []
    again = sent(late)
    assert task_numbers(again) == task_numbers(first)
    assert lost_rows(again) == lost_rows(first)
    rows_of = [frame for frame in first if frame["frame"] == "rows"]
    assert [frame["parts"] for frame in rows_of] == [
        frame["parts"] for frame in again if frame["frame"] == "rows"
    ]


def test_what_a_closed_pool_keeps_takes_the_room_of_its_rows(slots_pool, in_child):
    pool = slots_pool()
    in_child(work_and_die(pool.link, tasks=10))
    pool.refresh(at_once=True)
    pool.close()
    pool.compact()
    assert sum(probe.slot.cells.nbytes for probe in pool.probes) < 2000
    assert pool.memory_bytes() < 20_000


def test_a_pool_that_is_forgotten_frees_its_shared_memory_at_once(slots_pool, in_child):
    before = memory_descriptors()
    pool = slots_pool()
    cursor = Cursor(pool)
    in_child(work_and_die(pool.link, tasks=10))
    pool.refresh(at_once=True)
    sent(cursor)
    pool.close()
    pool.forget()
    assert memory_descriptors() == before
    assert task_numbers(sent(cursor)) == []
    assert [probe.tasks.memory_bytes() for probe in pool.probes] == [0]


def test_a_pool_with_a_worker_keeps_its_shared_memory_and_is_open_again(slots_pool):
    pool = slots_pool()
    pool.close()
    worker_of(pool.link)  # which was only about to start
    pool.compact()
    assert pool.link.shared is not None
    pool.refresh(at_once=True)
    assert pool.closed_ns == NONE
    leave(pool.link)


def test_a_closed_pool_ends_with_its_last_worker(slots_pool, in_child):
    """Nobody can hand in tasks any more, but those that were handed in run between two looks."""
    pool = slots_pool()
    pool.close()
    closed_ns = pool.closed_ns

    def run_a_task():
        worker = worker_of(pool.link)
        worker.running(token(1))
        worker.finished()
        worker.leave()

    in_child(run_a_task)
    pool.refresh(at_once=True)
    (probe,) = pool.probes
    _, read = probe.tasks.read(0, 1)
    assert pool.closed_ns >= max(read.column("ended_ns")) > closed_ns


def test_a_closed_pools_shared_memory_waits_a_while_for_the_workers_of_tasks_that_were_handed_in(
    slots_pool, in_child
):
    pool = slots_pool()
    for _ in range(2):
        pool.queued(pool.kind_of(len))
    pool.close()
    pool.compact()
    assert not pool.is_compact
    in_child(work_and_die(pool.link, tasks=1))
    pool.refresh(at_once=True)
    assert pool.probes[0].tasks_run == 1
    pool.closed_ns = time.monotonic_ns() - _slots_pool.START_NS
    pool.compact()
    assert pool.is_compact
    assert pool.link.shared is None


def test_a_pool_that_opens_again_goes_on_where_it_ended(slots_pool, in_child):
    pool = slots_pool()
    pool.add_kind("sow")
    cursor = Cursor(pool)
    in_child(work_and_die(pool.link, tasks=1100))
    pool.refresh(at_once=True)
    pool.turn_to(2)
    pool.close()
    pool.compact()
    assert pool.open_again()
    pool.make_room(20)
    assert pool.link.slots == 20
    assert pool.link.shared.cells[_slot_layout.EVERY] == 15

    def work():
        worker = worker_of(pool.link)
        for number in range(1600, 1632):
            worker.running(token(number))
            worker.finished()

    in_child(work)
    pool.refresh(at_once=True)
    frames = sent(cursor)
    numbers = task_numbers(frames)
    assert numbers == [*range(1100 + 2 - 1023, 1100), 1600, 1616]
    assert lost_rows(frames) + len(numbers) == 1102
    assert pool.probes[0].tasks_run == 1132
    assert rows(pool.probes[0].lifetimes) == 2


def test_a_pool_opened_again_stays_open_until_its_new_owner_says(slots_pool):
    pool = slots_pool()
    pool.still_open = lambda: False
    pool.refresh()
    assert pool.closed_ns >= 0
    assert pool.open_again()
    pool.refresh()
    assert pool.closed_ns == NONE


def test_tasks_that_an_ended_executor_never_ran_are_cancelled_once_though_two_threads_find_its_end(
    monkeypatch, slots_pool
):
    """The probe's thread checks the executor; the job's thread does when it makes the next one."""
    reporter = ExecutorReporter(type("Executor", (), {})(), "process pool", None)
    reporter.pool = pool = slots_pool()
    tokens = [pool.queued(pool.add_kind("sow")) for _ in range(6)]
    reporter.sent_last.extend(tokens[:3])
    reporter.tokens.update((token[0], token) for token in tokens[3:])

    others = [threading.Thread(target=reporter.still_open)]

    class FoundMeanwhile(set):
        def __contains__(self, task: object) -> bool:
            while others:
                other = others.pop()
                other.start()
                other.join()
            return False

    monkeypatch.setattr(SlotsPool, "last_tasks", lambda pool: FoundMeanwhile())
    assert not reporter.still_open()
    assert pool.cancellations.written == 6


def test_tasks_of_an_ended_executor_that_were_only_counted_are_not_called_cancelled(
    monkeypatch, slots_pool
):
    reporter = ExecutorReporter(type("Executor", (), {})(), "process pool", None)
    reporter.pool = pool = slots_pool()
    pool.turn_to(THINNED)
    pool.turn_to(FULL)  # what was not recorded before stays unrecorded
    tokens = [pool.queued(pool.add_kind("sow")) for _ in range(2 * THINNING_FACTOR)]
    reporter.sent_last.extend(tokens)
    recorded = [token[0] for token in tokens if token[0] % THINNING_FACTOR == 0]
    monkeypatch.setattr(SlotsPool, "last_tasks", lambda pool: {recorded[0]})
    assert not reporter.still_open()
    assert pool.cancellations.written == len(recorded) - 1 == 1


def test_an_executor_that_has_ended_is_not_held_while_its_last_tasks_are_recorded(
    monkeypatch, slots_pool
):
    """The job may let go of it meanwhile, and its end closes descriptors by their numbers."""
    executor = type("Executor", (), {})()
    executor._shutdown_thread = True
    reporter = ExecutorReporter(executor, "process pool", None)
    reporter.pool = slots_pool()
    held = weakref.ref(executor)
    here = [executor]
    del executor

    def last_tasks(pool: SlotsPool) -> set[int]:
        here.clear()
        assert held() is None
        return set()

    monkeypatch.setattr(SlotsPool, "last_tasks", last_tasks)
    assert not reporter.still_open()
    assert not here


def test_the_price_of_a_task_is_found_without_a_descriptor(monkeypatch, slots_pool):
    monkeypatch.setattr(_slots_pool, "_prices", [])
    monkeypatch.setattr(os, "memfd_create", None)
    pool = SlotsPool.__new__(SlotsPool)
    recorded, counted = pool.price()
    assert recorded > counted > 0
