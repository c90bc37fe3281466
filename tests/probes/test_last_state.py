"""The page that outlives a process: what is on it, when it stays, and what it may not do to a job.

The targets run in processes of their own. `newest_copy` and `Decoder` read their pages.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from probes_pools import METHODS

from idlehands import _last_state, _notes, _state_page
from idlehands._descriptors import start_ticks
from idlehands._folder import Folder
from idlehands._last_state import LastState, pool_state, process_facts, tasks_handed_in
from idlehands._pool import PoolProbe
from idlehands._shared import SharedPool
from idlehands._state_page import COPY_BYTES, MOST_KEPT, PAGE_BYTES, StatePage, sweep
from idlehands._tables import INBOX
from idlehands.wire import (
    PAGE_ENDED,
    PAGE_RESTING,
    WORKER_STATES,
    Decoder,
    newest_copy,
)

HEADER_BYTES = 32
DAY_SECONDS = 24 * 3600
from_3_12 = pytest.mark.skipif(
    sys.version_info < (3, 12), reason="earlier Pythons do not warn of a fork beside threads"
)
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="needs the rights of root")

ONE_POOL = """
    pool = idlehands.declare_pool("meadow", 1)
    worker = pool.worker(0)
    worker.bind()
    worker.running(worker.spawned("sow"))
    publisher()
    say("ready")
"""


def pages(folder: Path, pid: int = 0) -> list[Path]:
    return sorted(folder.glob(f"{pid or '*'}-*.state"))


def copy_in(path: Path):
    """Return (mark, sequence number, state) of a page, None while no copy is written."""
    newest = newest_copy(path.read_bytes())
    if newest is None:
        return None
    mark, sequence, body = newest
    (frame,) = Decoder().feed(body)
    return mark, sequence, frame


@pytest.fixture
def page_of(folder, wait_until):
    """Return a function that waits for a process's page and returns its path."""

    def wait(pid: int) -> Path:
        wait_until(lambda: pages(folder, pid) and copy_in(pages(folder, pid)[0]))
        (path,) = pages(folder, pid)
        return path

    return wait


@pytest.fixture
def place(folder, monkeypatch):
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))
    return folder


@pytest.fixture
def page(place):
    made = StatePage()
    yield made
    made.remove()
    made.close()


# What is on it


def test_a_page_is_a_small_file_that_only_its_user_can_read(start, page_of):
    target = start(f"    os.umask(0){ONE_POOL}    told('end')\n")
    assert target.says() == "ready"
    status = page_of(target.pid).stat()
    assert stat.S_IMODE(status.st_mode) == 0o600
    assert status.st_uid == os.geteuid()
    assert status.st_size == PAGE_BYTES


def test_a_page_says_which_process_it_is_of(start, page_of):
    before = time.time_ns()
    target = start(f"{ONE_POOL}    told('end')\n")
    assert target.says() == "ready"
    _, _, state = copy_in(page_of(target.pid))
    assert state["pid"] == target.pid
    assert state["ticks"] == start_ticks(target.pid) > 0
    assert state["argv0"].endswith("target-0.py")
    assert state["python"] == sys.version.split()[0]
    assert state["socket"] == f"{target.pid}.sock"
    assert state["boot"] == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert state["namespace"] == os.stat("/proc/self/ns/pid").st_ino
    second = 1_000_000_000
    assert before - second <= state["began_wall_ns"] <= state["wall_ns"] <= time.time_ns()
    assert 0 < state["at_ns"] <= time.monotonic_ns()
    assert state["peak_bytes"] > 1 << 20


def test_a_page_says_what_each_worker_is_in_and_since_when(clock):
    pool = PoolProbe("orchard", 6, "work-stealing", 0)
    workers = [pool.worker(index) for index in range(6)]
    clock.now_ns = 10
    workers[0].running(workers[0].spawned("sow"))
    clock.now_ns = 20
    workers[1].running(workers[1].spawned("reap"))
    workers[1].waiting()
    clock.now_ns = 30
    workers[2].searching()
    workers[3].parked()
    workers[4].running(workers[4].spawned("sow"))
    clock.now_ns = 40
    workers[4].finished()
    pid = os.getpid()
    state = pool_state(pool, 7, 100)
    assert state["task_kinds"] == ["sow", "reap"]
    assert [(row[0], WORKER_STATES[row[1]], *row[2:]) for row in state["listed"]] == [
        (0, "working", 0, 10, pid),
        (1, "waiting", 1, 20, pid),
        (2, "searching", -1, 30, pid),
        (3, "parked", -1, 30, pid),
        (4, "between tasks", -1, 40, pid),
        (5, "not started", -1, -1, pid),
    ]
    assert (state["workers"], state["handed_in"], state["ran"]) == (6, 7, 1)
    assert state["queued"] == 7 - 1 - 2


def test_a_worker_that_helps_while_it_waits_is_in_the_task_that_it_helps_with(pool):
    worker = pool.worker(0)
    worker.running(worker.spawned("sow"))
    worker.waiting()
    worker.running(worker.spawned("reap"))
    state = pool_state(pool, 2, 100)
    assert WORKER_STATES[state["listed"][0][1]] == "working"
    assert state["task_kinds"] == ["reap"]
    assert state["queued"] == 0


def test_a_worker_of_a_shared_pool_that_has_left_is_not_on_the_page():
    pool = SharedPool("berth", "thread pool", 0, 2)
    worker = pool.joined_worker()
    worker.running(pool.queued(pool.add_kind("haul")))
    assert pool_state(pool, 1, 100)["workers"] == 1
    worker.leave()
    state = pool_state(pool, 1, 100)
    assert (state["workers"], state["listed"], state["ran"]) == (0, [], 1)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 100, 16383, 16384, 16385, 40000])
def test_the_tasks_handed_in_are_counted_exactly_however_many_are_new(count, pool):
    for _ in range(count):
        pool.spawned("sow")
    assert tasks_handed_in(pool, 0) == count
    assert tasks_handed_in(pool, count // 2) == count
    assert tasks_handed_in(pool, count) == count


def test_tasks_are_counted_whether_their_spawns_are_packed_or_not(pool):
    for number in range(60):
        pool.set_packed(20 <= number < 40)
        pool.spawned("sow")
        assert tasks_handed_in(pool, max(0, number - 5)) == number + 1


def test_what_was_cancelled_or_moved_is_not_in_the_queue(pool):
    tokens = [pool.spawned("sow") for _ in range(5)]
    pool.cancelled(tokens[0])
    pool.moved(tokens[1])
    pool.worker(0).running(tokens[2], INBOX)
    assert pool_state(pool, 5, 100)["queued"] == 2


def test_the_state_of_many_pools_with_long_names_fits_into_a_copy(place):
    kept = []
    for number in range(80):
        pool = PoolProbe(f"{number:03}" + "🌾" * 150, 40, "🌾" * 150, number)
        for index in range(40):
            worker = pool.worker(index)
            worker.running(worker.spawned(f"{index:03}" + "🌾" * 150))
        kept.append(pool)
    last = LastState(lambda: kept)
    last.write("")
    (path,) = pages(place)
    _, _, state = copy_in(path)
    assert len(state["pools"]) + state["pools_left_out"] == 80
    assert len(state["pools"]) >= 1
    last.end()
    last.abandon()


@pytest.mark.parametrize(
    "harm",
    [
        "worker.running((0, 0, 0))",
        "worker.running((0, -1, 0, object(), None, 2**80))",
        "worker.running((0, -1, 2**80, 1, 1, 1))",
        "worker.running((0, -1, object(), 1, 1, 1))",
        "worker.started = 2**80; worker.running(pool.spawned('sow')); worker.started = object()",
    ],
)
def test_nonsense_of_one_pool_costs_no_other_pool_its_place(start, page_of, wait_until, harm):
    target = start(
        f"""
        pool = idlehands.declare_pool("odd", 1)
        worker = pool.worker(0)
        {harm}
        other = idlehands.declare_pool("sound", 1)
        other.worker(0).bind()
        other.worker(0).running(other.spawned("reap"))
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    path = page_of(target.pid)
    wait_until(lambda: "reap" in str(copy_in(path)))
    assert "sound" in [pool["name"] for pool in copy_in(path)[2]["pools"]]
    target.tell("end")
    assert "is not kept" not in target.ends()


def test_closed_pools_and_those_switched_off_are_not_on_the_page(place):
    open_pool, closed, off = (PoolProbe(name, 1, "", 0) for name in ("open", "closed", "off"))
    closed.close()
    off.switch_off()
    last = LastState(lambda: [open_pool, closed, off])
    last.write("")
    (path,) = pages(place)
    assert [pool["name"] for pool in copy_in(path)[2]["pools"]] == ["open"]
    last.end()
    last.abandon()


def test_no_code_of_the_job_is_called_for_the_page(start, page_of, wait_until):
    target = start(
        """
        called = []
        pool = idlehands.declare_pool("meadow", 1)
        pool.expose_depths(lambda: called.append(1) or (0, [0]))
        pool.worker(0).bind()
        say("ready")
        told("look")
        say(called)
        told("end")
        """
    )
    assert target.says() == "ready"
    path = page_of(target.pid)
    wait_until(lambda: copy_in(path)[1] >= 3)
    target.tell("look")
    assert target.says() == "[]"
    target.tell("end")
    target.ends()


@pytest.mark.parametrize("method", METHODS)
def test_worker_processes_are_on_the_page_of_their_owner_and_have_none_of_their_own(
    start_job, folder, page_of, wait_until, method
):
    job = start_job(
        f"""
import multiprocessing, os, sys, time
from concurrent.futures import ProcessPoolExecutor

def haul(seconds):
    time.sleep(seconds)
    return os.getpid()

if __name__ == "__main__":
    context = multiprocessing.get_context({method!r})
    pool = ProcessPoolExecutor(2, mp_context=context)
    list(pool.map(haul, [0.01] * 8))
    waiting = [pool.submit(haul, 3600) for _ in range(2)]
    print("ready", flush=True)
    sys.stdin.readline()
""",
    )
    assert job.says() == "ready"
    path = page_of(job.pid)

    def busy():
        (pool,) = copy_in(path)[2]["pools"]
        return [row for row in pool["listed"] if WORKER_STATES[row[1]] == "working"]

    wait_until(lambda: len(busy()) == 2)
    owners = {row[4] for row in busy()}
    assert job.pid not in owners
    assert len(owners) == 2
    assert pages(folder) == [path]
    job.process.kill()
    for pid in owners:  # some end by themselves with the first one, or with their parent
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


# When it stays


ENDS = {
    "SIGKILL": "os.kill(os.getpid(), 9)",
    "SIGTERM": "os.kill(os.getpid(), 15)",
    "a segmentation fault": "import faulthandler; faulthandler._sigsegv()",
    "os._exit": "os._exit(3)",
    "abort": "os.abort()",
}


@pytest.mark.parametrize("end", ENDS.values(), ids=list(ENDS))
def test_a_process_that_ends_without_its_exit_functions_leaves_its_page(start, page_of, end):
    target = start(f"{ONE_POOL}    told('end')\n    {end}\n")
    assert target.says() == "ready"
    path = page_of(target.pid)
    target.tell("end")
    target.process.wait(30)
    mark, _, state = copy_in(path)
    assert mark == 0
    ((_, number, kind, _, _),) = state["pools"][0]["listed"]
    assert WORKER_STATES[number] == "working"
    assert state["pools"][0]["task_kinds"][kind] == "sow"


@pytest.mark.parametrize(
    "end", ["pass", "sys.exit(3)", "raise ValueError", "os.kill(os.getpid(), 2)"]
)
def test_a_process_that_ends_well_leaves_no_page(start, folder, page_of, end):
    target = start(f"{ONE_POOL}    told('end')\n    {end}\n")
    assert target.says() == "ready"
    page_of(target.pid)
    target.tell("end")
    target.process.wait(30)
    assert list(folder.iterdir()) == []


def test_a_process_that_has_changed_its_user_marks_its_page_as_ended(page, monkeypatch):
    # The file stays where the folder cannot be reached any more, and then says so itself.
    monkeypatch.setattr(Folder, "remove", lambda *_: False)
    last = LastState(list)
    last._page = page
    last.end()
    page.write(b"state")
    assert newest_copy(Path(page.path).read_bytes())[0] == PAGE_ENDED
    monkeypatch.undo()


def test_a_page_is_written_about_once_a_second(start, page_of, wait_until):
    target = start(f"{ONE_POOL}    told('end')\n")
    assert target.says() == "ready"
    path = page_of(target.pid)
    times = {}

    def seen():
        _, sequence, state = copy_in(path)
        times[sequence] = state["at_ns"]
        return len(times) >= 4

    wait_until(seen)
    gaps = [
        after - before for before, after in zip(sorted(times.values()), sorted(times.values())[1:])
    ]
    assert min(gaps) >= 900_000_000
    target.tell("end")
    target.ends()


# Torn writes


def test_a_page_whose_newest_copy_is_torn_is_read_from_the_other_copy(page):
    page.write(b"first")
    page.write(b"second")
    whole = Path(page.path).read_bytes()
    assert newest_copy(whole) == (0, 2, b"second")
    begin = HEADER_BYTES  # where the even copies are
    for place in range(begin, begin + 16 + len(b"second")):
        torn = bytearray(whole)
        torn[place] ^= 0x40
        assert newest_copy(bytes(torn)) == (0, 1, b"first")


def test_a_page_without_a_whole_copy_says_nothing(page):
    assert newest_copy(Path(page.path).read_bytes()) is None
    page.write(b"first")
    whole = Path(page.path).read_bytes()
    torn = bytearray(whole)
    torn[HEADER_BYTES + COPY_BYTES + 16] ^= 1
    assert newest_copy(bytes(torn)) is None
    assert newest_copy(whole[:-1]) is None
    assert newest_copy(b"") is None
    assert newest_copy(b"x" + whole[1:]) is None


def test_a_reader_that_reads_while_the_page_is_written_never_gets_a_mixture(page):
    script = f"""
import sys
sys.path[:0] = {sys.path!r}
from idlehands.wire import newest_copy
seen = set()
while len(seen) < 200:
    found = newest_copy(open({page.path!r}, "rb").read())
    if found is not None:
        assert found[2] == found[2][:1] * len(found[2]), found[:2]
        assert len(found[2]) == found[1] % 8000
        seen.add(found[1])
    if found is not None and found[1] > 100000:
        break
"""
    reader = subprocess.Popen([sys.executable, "-c", script], stderr=subprocess.PIPE)
    number = 0
    try:
        while reader.poll() is None and number < 200_000:
            number += 1
            page.write(bytes([number % 251]) * (number % 8000))
    finally:
        reader.kill()
        _, errors = reader.communicate()
    assert b"Error" not in errors, errors


# Forks


FORKS = """
    told("fork")
    def held():
        found = 0
        for name in os.listdir("/proc/self/fd"):
            try:
                found += ".state" in os.readlink(f"/proc/self/fd/{name}")
            except OSError:
                pass
        return found
    say(held())
    child = os.fork()
    if child == 0:
        say(held())
        own = idlehands.declare_pool("orchard", 1)
        own.worker(0).bind()
        own.worker(0).running(own.spawned("reap"))
        until(held)
        say(os.getpid())
        told("end")
        os._exit(0)
    os.waitpid(child, 0)
    say("waited")
    told("end")
"""


def test_a_forked_child_neither_holds_nor_writes_the_page_of_its_parent(start, page_of):
    target = start(ONE_POOL + FORKS, options=("-W", "ignore"))
    assert target.says() == "ready"
    parents = page_of(target.pid)
    target.tell("fork")
    assert [target.says(), target.says()] == ["1", "0"]
    child = int(target.says())
    childs = page_of(child)
    assert childs != parents
    assert copy_in(childs)[2]["pid"] == child
    assert copy_in(parents)[2]["pid"] == target.pid
    target.tell("end")
    assert target.says() == "waited"
    target.tell("end")
    target.ends()


@from_3_12
def test_a_process_whose_probe_rests_after_a_fork_says_so_until_its_next_task(
    start, page_of, wait_until
):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        pool.worker(0).bind()
        publisher()
        say("ready")
        told("fork")
        child = os.fork()
        if child == 0:
            os._exit(0)
        os.waitpid(child, 0)
        say("forked")
        told("task")
        task(pool.worker(0))
        told("end")
        """
    )
    assert target.says() == "ready"
    path = page_of(target.pid)
    target.tell("fork")
    assert target.says() == "forked"
    assert copy_in(path)[0] == PAGE_RESTING
    target.tell("task")
    wait_until(lambda: copy_in(path)[0] == 0)
    target.tell("end")
    target.ends()


# Descriptors, limits and folders


def test_the_descriptor_of_the_page_is_far_above_those_of_the_jobs_files(page):
    assert page._descriptor >= min(resource.getrlimit(resource.RLIMIT_NOFILE)[0], 1024) * 3 // 4
    assert not os.get_inheritable(page._descriptor)


def test_a_file_of_the_jobs_under_the_number_of_the_page_is_neither_written_nor_closed(
    place, tmp_path
):
    last = LastState(list)
    last.write("")
    number = last._page._descriptor
    (lost,) = pages(place)
    file = os.open(tmp_path / "logbook", os.O_RDWR | os.O_CREAT)
    os.write(file, b"the job's own")
    os.dup2(file, number)
    last.write("")
    assert os.pread(number, 100, 0) == b"the job's own"
    assert os.fstat(number).st_ino == os.fstat(file).st_ino
    last.write("")  # another page
    (again,) = pages(place)
    assert again != lost
    last.end()
    last.abandon()
    assert os.fstat(number).st_ino == os.fstat(file).st_ino
    os.close(number)
    os.close(file)


def test_a_job_that_closes_the_page_again_and_again_gets_another_only_so_often(place):
    last = LastState(list)
    made = set()
    for _ in range(10):
        last.write("")
        made.update(pages(place))
        if last._page is not None:
            os.close(last._page._descriptor)
    assert len(made) == _last_state.MOST_LOST + 1
    last.abandon()


def test_a_page_that_was_removed_is_made_again(place):
    last = LastState(list)
    last.write("")
    (path,) = pages(place)
    path.unlink()
    last.write("")
    last.write("")
    assert pages(place) not in ([], [path])
    last.end()
    last.abandon()
    assert pages(place) == []


FAULTS = {
    "a full folder": (os, "pwrite", errno.ENOSPC, 0),
    "a folder that is full later": (os, "pwrite", errno.ENOSPC, 3),
    "a broken disk": (os, "pwrite", errno.EIO, 2),
    "a read-only folder": (os, "open", errno.EROFS, 0),
    "no free descriptor": (fcntl, "fcntl", errno.EMFILE, 0),
}


@pytest.mark.parametrize(("module", "call", "number", "good"), FAULTS.values(), ids=list(FAULTS))
def test_where_the_page_cannot_be_written_one_warning_says_so_and_no_page_is_left(
    place, monkeypatch, module, call, number, good
):
    real, calls = getattr(module, call), []

    def refuse(*arguments, **named):
        calls.append(arguments)
        is_other = call == "open" and not str(arguments[0]).endswith(".state")
        if is_other or len(calls) <= good:
            return real(*arguments, **named)
        raise OSError(number, os.strerror(number))

    last = LastState(list)
    monkeypatch.setattr(module, call, refuse)
    for _ in range(5):
        last.write("")
    monkeypatch.undo()
    assert pages(place) == []
    assert [message for message, _ in _notes._pending] == [
        "the last state of this process is not kept: %s"
    ]
    last.end()
    last.abandon()


@pytest.fixture
def small_folder(folder):
    """The socket folder on a file system of its own, of 64 KiB."""
    mount, umount = shutil.which("mount"), shutil.which("umount")
    if mount is None or umount is None:
        pytest.skip("there is no program to mount with")
    options = ["-t", "tmpfs", "-o", "size=64k,mode=700", "none", str(folder)]
    if subprocess.run([mount, *options], check=False, capture_output=True).returncode:
        pytest.skip("file systems cannot be mounted here")
    yield folder
    subprocess.run([umount, "-l", str(folder)], check=True)


def fill(folder: Path) -> None:
    with contextlib.suppress(OSError), open(folder / "filler", "wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


@as_root
def test_a_job_whose_folder_is_full_from_the_start_runs_on_without_a_page(start, small_folder):
    fill(small_folder)
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        until(lambda: publisher()._last_state._from)
        task(worker)
        say(worker.tasks.written)
        """
    )
    assert target.says() == "1"
    assert target.ends().count("the last state of this process is not kept") == 1
    assert pages(small_folder) == []


@as_root
def test_a_page_is_still_written_when_its_folder_becomes_full(
    start, small_folder, page_of, wait_until
):
    target = start(f"{ONE_POOL}    told('end')\n    os.kill(os.getpid(), 9)\n")
    assert target.says() == "ready"
    path = page_of(target.pid)
    fill(small_folder)
    _, before, _ = copy_in(path)
    wait_until(lambda: copy_in(path)[1] >= before + 3)
    target.tell("end")
    target.process.wait(30)
    assert copy_in(path)[2]["pools"][0]["task_kinds"] == ["sow"]


@pytest.mark.parametrize("bound_at", ["the first task", "a later moment"])
def test_a_job_that_may_write_no_large_file_runs_on_without_a_page(start, folder, bound_at):
    is_first = bound_at == "the first task"
    target = start(
        f"""
        import resource, signal
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
        def bound():
            resource.setrlimit(resource.RLIMIT_FSIZE, (4096, -1))
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        if {is_first}:
            bound()
        worker.bind()
        last = publisher()._last_state
        if not {is_first}:
            until(lambda: last._page)
            bound()
        until(lambda: last._from)
        task(worker)
        say(worker.tasks.written)
        """
    )
    assert target.says() == "1"
    assert target.ends().count("the last state of this process is not kept") == 1
    assert pages(folder) == []


def test_a_write_past_the_limit_of_files_is_not_tried_so_that_no_signal_comes(page, monkeypatch):
    written = []
    monkeypatch.setattr(resource, "getrlimit", lambda which: (16, 16))
    monkeypatch.setattr(os, "pwrite", lambda *arguments: written.append(arguments))
    with pytest.raises(OSError, match="so large a file"):
        page.mark(PAGE_ENDED)
    assert written == []


def test_a_page_that_is_not_linked_under_its_name_any_more_is_left_alone_at_the_end(place):
    page = StatePage()
    name = Path(page.path)
    name.unlink()
    name.write_text("somebody's")
    page.remove()
    page.close()
    assert name.read_text() == "somebody's"


def test_a_link_in_the_place_of_the_page_is_not_followed(place, tmp_path, monkeypatch):
    victim = tmp_path / "victim"
    victim.write_text("kept")
    monkeypatch.setattr(_state_page.os, "urandom", bytes)
    (place / f"{os.getpid()}-{'00' * 6}.state").symlink_to(victim)
    with pytest.raises(FileExistsError):
        StatePage()
    assert victim.read_text() == "kept"


# Pages of the past


def leave(folder: Path, number: int, age_seconds: float) -> Path:
    path = folder / f"{number + 1}-{number:012x}.state"
    path.write_bytes(b"")
    then = time.time() - age_seconds
    os.utime(path, (then, then))
    return path


def test_pages_that_were_not_written_for_a_day_are_removed(folder):
    old, new = leave(folder, 1, DAY_SECONDS + 60), leave(folder, 2, DAY_SECONDS - 60)
    with Folder(str(folder)) as opened:
        sweep(opened)
    assert (old.exists(), new.exists()) == (False, True)


def test_beyond_the_bound_the_oldest_pages_are_removed_and_none_that_was_written_lately(folder):
    paths = [leave(folder, number, 100 + number) for number in range(MOST_KEPT + 5)]
    with Folder(str(folder)) as opened:
        sweep(opened)
    assert set(pages(folder)) == set(paths[:MOST_KEPT])
    for path in paths[:MOST_KEPT]:
        os.utime(path)
    added = [leave(folder, 1000 + number, 5) for number in range(10)]
    with Folder(str(folder)) as opened:
        sweep(opened)
    assert set(pages(folder)) == {*paths[:MOST_KEPT], *added}


def test_what_is_no_page_of_this_users_is_not_removed(folder, tmp_path):
    target = tmp_path / "kept"
    target.write_text("kept")
    link = folder / "7-0123456789ab.state"
    link.symlink_to(target)
    other = leave(folder, 3, 3 * DAY_SECONDS).rename(folder / "notes.state")
    then = time.time() - 3 * DAY_SECONDS
    os.utime(link, (then, then), follow_symlinks=False)
    with Folder(str(folder)) as opened:
        sweep(opened)
        opened.owner += 1
        old = leave(folder, 4, 3 * DAY_SECONDS)
        sweep(opened)
    assert link.is_symlink()
    assert other.exists()
    assert old.exists()


def test_facts_that_cannot_be_known_are_left_open(monkeypatch):
    def refuse(*_):
        raise PermissionError

    monkeypatch.setattr(_last_state, "content_of", refuse)
    monkeypatch.setattr(_last_state.os, "stat", refuse)
    monkeypatch.setattr(_last_state, "start_ticks", lambda pid: -1)
    facts = process_facts()
    assert (facts["boot"], facts["namespace"], facts["began_wall_ns"]) == ("", -1, -1)
