"""The job comes first: what the probe's thread, hooks and descriptors must not do to a process.

Each job here was hung, killed, changed or slowed without end by a probe that was less careful.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

import idlehands
from idlehands._reader import NAMES_ONLY
from idlehands._readers import MOST_CALLERS, MOST_READERS
from idlehands.wire import Decoder

SOURCES = str(Path(idlehands.__file__).parent.parent)
SECONDS = 60

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="needs the rights of root")
from_3_12 = pytest.mark.skipif(sys.version_info < (3, 12), reason="os.unshare is of Python 3.12")


@pytest.fixture
def run_job(tmp_path, folder):
    """Run a job under `idlehands run` to its end; return (status, output, errors)."""

    def run(script: str, *options: str, **variables: str):
        path = tmp_path / "job.py"
        path.write_text(script)
        environment = {
            **os.environ,
            "IDLEHANDS_DIR": str(folder),
            "PYTHONPATH": SOURCES,
            **variables,
        }
        ended = subprocess.run(
            [sys.executable, *options, "-m", "idlehands", "run", str(path)],
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
            timeout=SECONDS,
        )
        return ended.returncode, ended.stdout, ended.stderr

    return run


# Forks


FORKS_SOON_AFTER_THE_FIRST_TASK = """
import os, time
from concurrent.futures import ThreadPoolExecutor

def ended_well(run):
    child = os.fork()
    if child == 0:
        run()
        os._exit(7)
    for _ in range(500):
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status) == 7
        time.sleep(0.01)
    os.kill(child, 9)
    return False

def run_tasks():
    with ThreadPoolExecutor(1) as own:
        own.submit(int).result()

def run_the_first_task_and_fork(seconds):
    pool = ThreadPoolExecutor(2)
    pool.submit(int)
    time.sleep(seconds)
    if not ended_well(run_tasks):
        os._exit(8)
    pool.shutdown()

print(sum(ended_well(lambda: run_the_first_task_and_fork(n * 0.0004)) for n in range(20)))
"""


def test_children_forked_soon_after_the_first_task_run_tasks_of_their_own(run_job):
    assert run_job(FORKS_SOON_AFTER_THE_FIRST_TASK, "-W", "ignore") == (0, "20\n", "")


def test_a_fork_between_tasks_leaves_the_hot_path_as_it_was(start):
    target = start(
        """
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        task(worker)
        for _ in range(1500):
            child = os.fork()
            if child == 0:
                os._exit(0)
            os.waitpid(child, 0)
        def depth():
            deepest = 0
            def trace(frame, event, _):
                nonlocal deepest
                number, at = 0, frame
                while at is not None:
                    number, at = number + 1, at.f_back
                deepest = max(deepest, number)
            sys.setprofile(trace)
            task(worker)
            sys.setprofile(None)
            return deepest
        depth()
        say(depth() < 12)
        say(pool.off)
        """
    )
    assert [target.says(), target.says()] == ["True", "False"]
    target.ends()


def test_a_child_is_not_held_up_by_a_lock_that_another_thread_of_its_parent_had(run_job):
    script = """
import os, threading
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process

pool = ThreadPoolExecutor(3)
barrier = threading.Barrier(4)
for _ in range(3):
    pool.submit(barrier.wait)
barrier.wait()
(probed,) = [pool for pool in _process._process.registry.present_pools() if pool.probes]
held, fork_done = threading.Event(), threading.Event()

def hold():
    with probed.rare:
        held.set()
        fork_done.wait(30)

threading.Thread(target=hold).start()
held.wait(30)
child = os.fork()
if child == 0:
    os._exit(5)
ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
fork_done.set()
pool.shutdown()
print(ended)
"""
    assert run_job(script, "-W", "ignore") == (0, "5\n", "")


def test_a_fork_while_a_reader_is_attached_leaves_parent_and_child_at_work(
    start_job, attach, received
):
    job = start_job(
        """
import os, sys, warnings
from concurrent.futures import ThreadPoolExecutor
warnings.simplefilter("ignore")
pool = ThreadPoolExecutor(2)
pool.submit(int).result()
print("ready", flush=True)
sys.stdin.readline()
for _ in range(200):
    pool.submit(int).result()
    child = os.fork()
    if child == 0:
        os._exit(0)
    os.waitpid(child, 0)
pool.shutdown()
print("done", flush=True)
"""
    )
    assert job.says() == "ready"
    reader = attach(job.pid)
    reader.take_in_thread()
    job.tell("go")
    assert job.says() == "done"
    assert job.ends() == ""
    frames = reader.take_all()
    assert frames[-1]["frame"] == "bye"
    assert sum(received(frames, "tasks", worker).rows for worker in range(2)) == 201


# Threads and signals


def test_a_script_that_submits_and_falls_off_its_end_leaves_no_trace(run_job, folder):
    script = """
import time
from concurrent.futures import ThreadPoolExecutor
pool = ThreadPoolExecutor(2)
for _ in range(4):
    pool.submit(time.sleep, 0.05)
"""
    assert run_job(script) == (0, "", "")
    assert list(folder.iterdir()) == []


NO_MORE_THREADS = """
import _thread, os, time
from concurrent.futures import ThreadPoolExecutor
from idlehands import _publisher

def refuse(*_):
    raise RuntimeError("can't start new thread")

_publisher.start_new_thread = refuse
pool = ThreadPoolExecutor(1)
print(pool.submit(int).result())
began = time.monotonic()
for _ in range(20):
    child = os.fork()
    if child == 0:
        os._exit(0)
    os.waitpid(child, 0)
    pool.submit(int).result()
# Each fork used to wait a second for a thread that never ran.
print(time.monotonic() - began < 15)
"""


def test_where_no_thread_can_be_had_forks_wait_for_none(run_job):
    status, output, errors = run_job(NO_MORE_THREADS, "-W", "ignore")
    assert (status, output) == (0, "0\nTrue\n")
    assert errors == "nobody can attach to this process: can't start new thread\n" or (
        errors == 'nobody can attach to this process: RuntimeError("can\'t start new thread")\n'
    )


def test_a_signal_that_the_job_waits_for_is_not_taken_by_the_probes_thread(run_job):
    script = """
import os, signal, threading, time
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    pool.submit(int).result()
deadline = time.monotonic() + 30
while not os.listdir(os.environ["IDLEHANDS_DIR"]) and time.monotonic() < deadline:
    time.sleep(0.01)
while len(os.listdir("/proc/self/task")) > 2:  # a thread that was joined lives on for a moment
    time.sleep(0.01)
signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGUSR1})
for _ in range(50):
    os.kill(os.getpid(), signal.SIGUSR1)
    assert signal.sigwait({signal.SIGUSR1}) == signal.SIGUSR1
print("waited")
"""
    assert run_job(script) == (0, "waited\n", "")


def test_the_probes_thread_blocks_every_signal_there_is(start):
    target = start(
        """
        import signal
        idlehands.declare_pool("meadow", 1).worker(0).bind()
        native_id = publisher()._native_id
        for line in open(f"/proc/self/task/{native_id}/status"):
            if line.startswith("SigBlk:"):
                blocked = int(line.split()[1], 16)
        open_to = [s for s in signal.valid_signals() if not blocked >> (s - 1) & 1]
        say(sorted(open_to) == [signal.SIGKILL, signal.SIGSTOP])
        say(signal.pthread_sigmask(signal.SIG_BLOCK, []) == set())
        """
    )
    assert [target.says(), target.says()] == ["True", "True"]
    target.ends()


@from_3_12
@as_root
def test_a_user_namespace_can_be_entered_after_a_pool_has_ended(run_job):
    script = """
import os
from concurrent.futures import ThreadPoolExecutor
with ThreadPoolExecutor(1) as pool:
    pool.submit(int).result()
try:
    os.unshare(os.CLONE_NEWUSER)
except PermissionError:
    print("entered")  # not allowed here at all, but not for a thread's sake
except OSError as error:
    print(error)
else:
    print("entered")
"""
    assert run_job(script)[:2] == (0, "entered\n")


# What hooks run, and under which locks


TIME_LIMIT = """
import signal
import idlehands

class Limit(Exception):
    pass

def strike(*_):
    raise {error}("time is up")

signal.signal(signal.SIGALRM, strike)
probe = idlehands.declare_pool("meadow", 1)
raised = 0
for _ in range(150):
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.0007)
        for _ in range(300_000):
            probe.spawned("sow")
        raised -= 1000
    except {error}:
        raised += 1
    signal.setitimer(signal.ITIMER_REAL, 0)
print(raised)
"""


@pytest.mark.parametrize("error", ["TimeoutError", "Limit"])
def test_what_a_signal_handler_raises_in_a_hook_reaches_the_job(run_job, error):
    status, output, _ = run_job(TIME_LIMIT.format(error=error))
    assert (status, output) == (0, "150\n")


LOGGING_UNDER_LOCKS = """
import logging, logging.handlers, queue, threading
from concurrent.futures import ThreadPoolExecutor

{handler}

work = queue.Queue()
def serve():
    while work.get() is not None:
        work.task_done()
threads = [threading.Thread(target=serve) for _ in range(2)]
for thread in threads:
    thread.start()
with ThreadPoolExecutor(2) as pool:
    print(sum(pool.map(int, range(10))))
for number in range(10):
    work.put(number)
work.join()
for _ in threads:
    work.put(None)
"""
QUEUE_HANDLER = """
records = queue.Queue()
logging.getLogger().addHandler(logging.handlers.QueueHandler(records))
def listen():
    while records.get() is not None:
        records.task_done()
threading.Thread(target=listen, daemon=True).start()
"""
POOL_HANDLER = """
speaking = ThreadPoolExecutor(1)
class Speaking(logging.Handler):
    def emit(self, record):
        speaking.submit(record.getMessage).result()
logging.getLogger().addHandler(Speaking())
"""


@pytest.mark.parametrize("handler", [QUEUE_HANDLER, POOL_HANDLER], ids=["a queue", "a pool"])
def test_a_refused_folder_is_reported_without_locking_up_the_jobs_own_logging(
    run_job, folder, handler
):
    folder.chmod(0o755)
    assert run_job(LOGGING_UNDER_LOCKS.format(handler=handler)) == (0, "45\n", "")


# Descriptors


CLOSES_ALL = """
import os, sys, time
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
pool.submit(int).result()
folder = os.environ["IDLEHANDS_DIR"]
deadline = time.monotonic() + 30
while not os.listdir(folder) and time.monotonic() < deadline:
    time.sleep(0.01)
print("ready", flush=True)
sys.stdin.readline()
os.closerange(3, 64)
files = [os.open(__file__, os.O_RDONLY) for _ in range(40)]
identities = [os.fstat(file).st_ino for file in files]
print("closed", flush=True)
sys.stdin.readline()
for _ in range(20):
    pool.submit(int).result()
print([os.fstat(file).st_ino for file in files] == identities, flush=True)
sys.stdin.readline()
"""


CLOSES_WHILE_THE_PROBE_WORKS = """
import os, threading
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process

has_opened, job_has_opened, has_closed = (threading.Event() for _ in range(3))

def check(*_, **__):
    number = os.open(os.devnull, os.O_RDONLY)
    has_opened.set()
    job_has_opened.wait(0.5)
    try:
        os.close(number)  # whatever it leads to, as the end of `os.listdir` does
    finally:
        has_closed.set()

_process._process.registry.tidy = check  # what the probe's thread calls once a second
with ThreadPoolExecutor(1) as pool:
    pool.submit(int).result()
    assert has_opened.wait(30)
    os.closerange(3, 64)
    files = [os.open(__file__, os.O_RDONLY) for _ in range(40)]
    job_has_opened.set()
    assert has_closed.wait(30)
print({os.fstat(file).st_ino for file in files} == {os.stat(__file__).st_ino})
"""


def test_all_descriptors_are_closed_only_while_the_probes_thread_has_none_in_use(run_job):
    assert run_job(CLOSES_WHILE_THE_PROBE_WORKS) == (0, "True\n", "")


@pytest.mark.parametrize("name", ["closerange", "unshare", "setns"])
def test_a_call_that_the_probes_thread_makes_way_for_can_be_pickled(run_job, name):
    if not hasattr(os, name):
        pytest.skip(f"os.{name} is of Python 3.12")
    script = f"""
import os, pickle
print(pickle.loads(pickle.dumps(os.{name})) is os.{name})
"""
    assert run_job(script) == (0, "True\n", "")


def made_in(folder):
    """Return when each of the sockets was made: the number of one that is gone may come back."""
    made = set()
    for path in folder.glob("*.sock"):
        with contextlib.suppress(FileNotFoundError):  # taken away just now
            made.add(path.stat().st_mtime_ns)
    return made


def test_descriptors_that_the_job_opened_in_place_of_the_probes_stay_open(
    start_job, attach, wait_until, folder
):
    job = start_job(CLOSES_ALL)
    assert job.says() == "ready"
    reader = attach(job.pid)
    reader.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    before = made_in(folder)
    job.tell("close")
    assert job.says() == "closed"
    # The probe finds its socket gone and makes another one.
    wait_until(lambda: made_in(folder) - before)
    job.tell("look")
    assert job.says() == "True"
    again = attach(job.pid)
    again.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    job.tell("end")
    assert job.ends() == ""
    assert list(folder.iterdir()) == []


# Readers


@pytest.fixture
def busy_job(start_job):
    job = start_job(
        """
import os, sys, threading, time
from concurrent.futures import ThreadPoolExecutor
pool = ThreadPoolExecutor(2)
pool.submit(int).result()
ended = threading.Event()
def work():
    while not ended.is_set():
        pool.submit(int).result()
        time.sleep(0.001)
threading.Thread(target=work).start()
print("ready", flush=True)
for line in sys.stdin:
    if line.strip() == "descriptors":
        print(len(os.listdir("/proc/self/fd")), flush=True)
    elif line.strip() == "is_packed":
        from idlehands import _process
        print(any(p.is_packed for p in _process._process.registry.present_pools()), flush=True)
    else:
        break
ended.set()
"""
    )
    assert job.says() == "ready"
    return job


def all_of(path, first=b""):
    """Return the frames that a peer gets that says `first` and reads to the end."""
    with socket.socket(socket.AF_UNIX) as caller:
        caller.settimeout(SECONDS)
        caller.connect(str(path))
        caller.sendall(first)
        decoder, frames = Decoder(), []
        with contextlib.suppress(ConnectionError):
            while data := caller.recv(1 << 16):
                frames += decoder.feed(data)
        return frames


def test_readers_above_the_bound_get_the_reason_and_take_no_descriptors(
    busy_job, attach, wait_until
):
    def levels(frames):
        return any(frame["frame"] == "levels" for frame in frames)

    readers = [attach(busy_job.pid) for _ in range(MOST_READERS)]
    for reader in readers:
        reader.take_until(levels)
        reader.take_in_thread()
    busy_job.tell("descriptors")
    before = int(busy_job.says())
    for _ in range(5):
        refused = attach(busy_job.pid)
        last = refused.take_all()[-1]
        assert last == {
            "frame": "bye",
            "reason": f"{MOST_READERS} readers are attached already",
        }
    busy_job.tell("descriptors")
    assert int(busy_job.says()) <= before
    busy_job.tell("end")
    busy_job.ends()


def test_callers_that_never_speak_nor_read_are_bounded_too(busy_job, folder):
    path = folder / f"{busy_job.pid}.sock"
    with contextlib.ExitStack() as stack:
        for _ in range(3 * MOST_CALLERS):
            caller = stack.enter_context(socket.socket(socket.AF_UNIX))
            caller.settimeout(SECONDS)
            with contextlib.suppress(FileNotFoundError, BlockingIOError):
                caller.connect(str(path))
        busy_job.tell("descriptors")
        assert int(busy_job.says()) < 20 + MOST_CALLERS
        busy_job.tell("end")
        busy_job.ends()


def test_a_reader_that_is_stuck_for_long_gives_way(start, attach, wait_until):
    target = start(
        """
        from idlehands import _readers
        _readers.STUCK_SECONDS = 0.0
        _readers.MOST_READERS = 1
        pool = idlehands.declare_pool("meadow", 1)
        worker = pool.worker(0)
        worker.bind()
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    first, second = attach(target.pid), None
    first.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    second = attach(target.pid)
    second.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    assert first.take_all()[-1]["frame"] != "bye"
    target.tell("end")
    target.ends()


def test_a_reader_that_asks_only_for_names_gets_no_rows_and_changes_nothing(
    busy_job, folder, wait_until
):
    path = folder / f"{busy_job.pid}.sock"
    wait_until(path.exists)
    with socket.socket(socket.AF_UNIX) as caller:
        caller.settimeout(SECONDS)
        caller.connect(str(path))
        caller.sendall(NAMES_ONLY)
        decoder, frames = Decoder(), []
        while not any(frame["frame"] == "names" for frame in frames):
            frames += decoder.feed(caller.recv(1 << 16))
        for _ in range(3):
            busy_job.tell("is_packed")
            assert busy_job.says() == "False"
        # Longer than any reader waits for its first rows.
        caller.settimeout(0.5)
        with pytest.raises(TimeoutError if sys.version_info >= (3, 10) else socket.timeout):
            caller.recv(1)
    assert {frame["frame"] for frame in frames} == {"hello", "names"}
    busy_job.tell("end")
    busy_job.ends()


# What has no bound of its own


def test_names_without_bound_cost_no_other_pool_its_record(start, attach, received):
    target = start(
        """
        long = idlehands.declare_pool("long", 1)
        short = idlehands.declare_pool("short", 1)
        worker = short.worker(0)
        threading.current_thread().name = "t" * 10_000_000
        worker.bind()
        for number in range(1100):
            task(long.worker(0), f"{number:04}" + "k" * 5000)
        task(worker)
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(lambda frames: sum(frame["frame"] == "levels" for frame in frames) >= 2)
    names = {frame["name"]: frame for frame in reader.frames if frame["frame"] == "names"}
    assert len(names["long"]["task_kinds"]) == 1024
    assert max(map(len, names["long"]["task_kinds"])) == 200
    assert len(names["short"]["threads"][0][3]) == 200
    assert received(reader.frames, "tasks", 0, pool=1).rows == 1
    target.tell("end")
    target.ends()


@pytest.mark.parametrize(
    "harm",
    [
        "pool.expose_depths(lambda: (2**70, [2**70, None, 'x']))",
        "pool.expose_depths(lambda: (0, iter(int, 1)))",
        "idlehands.configure(strict=False); pool.cancelled(None)",
        "idlehands.configure(strict=False); pool.cancelled((1, 2))",
        "worker.running((0, 0, 0)); worker.finished()",
        "worker.running((0, -1, 0, object(), None, 2**80)); worker.finished()",
        "pool.spawned('sow', size=object())",
    ],
)
def test_nonsense_of_one_pool_leaves_the_publisher_and_the_other_pools_at_work(
    start, attach, received, harm
):
    target = start(
        f"""
        pool = idlehands.declare_pool("odd", 1)
        worker = pool.worker(0)
        worker.bind()
        other = idlehands.declare_pool("sound", 1)
        {harm}
        task(other.worker(0))
        say("ready")
        told("end")
        """
    )
    assert target.says() == "ready"
    reader = attach(target.pid)
    reader.take_until(lambda frames: received(frames, "tasks", 0, pool=1).rows == 1)
    target.tell("end")
    assert reader.take_all()[-1]["frame"] == "bye"
    assert "Traceback" not in target.ends()


def test_closed_pools_are_noticed_and_let_go_with_nobody_attached(run_job):
    script = """
import gc, time
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process

def rounds(begin, end):
    for number in range(begin, end):
        with ThreadPoolExecutor(1, thread_name_prefix=f"shed-{number}") as pool:
            pool.submit(int).result()

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * 4096

rounds(0, 150)
before = resident()
rounds(150, 900)
print(resident() - before < 16 << 20)
deadline = time.monotonic() + 30
while time.monotonic() < deadline:
    pools = _process._process.registry.present_pools()
    if all(pool.closed_ns >= 0 and pool.is_compact for pool in pools):
        break
    time.sleep(0.05)
print(all(pool.is_compact for pool in pools), sum(pool.memory_bytes() for pool in pools) < 8 << 20)
"""
    assert run_job(script) == (0, "True\nTrue True\n", "")


def test_a_closed_pool_can_be_read_long_after_its_end(start_job, attach, received, wait_until):
    job = start_job(
        """
import sys, time
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process
with ThreadPoolExecutor(1) as pool:
    list(pool.map(int, range(300)))
deadline = time.monotonic() + 30
while not all(pool.is_compact for pool in _process._process.registry.present_pools()):
    assert time.monotonic() < deadline
    time.sleep(0.02)
print("compact", flush=True)
sys.stdin.readline()
with ThreadPoolExecutor(1) as pool:
    pass
"""
    )
    assert job.says() == "compact"
    reader = attach(job.pid)
    reader.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    assert received(reader.frames, "tasks", 0).rows == 300
    assert received(reader.frames, "spawns", -1).rows == 300
    job.tell("end")
    job.ends()


def test_a_pool_that_opens_again_after_it_was_made_small_records_as_before(
    start_job, attach, received
):
    job = start_job(
        """
import sys, time
from concurrent.futures import ThreadPoolExecutor
from idlehands import _process

def work(count):
    with ThreadPoolExecutor(1) as pool:
        list(pool.map(int, range(count)))

for count in (300, 5000):
    work(count)
    if count == 300:
        deadline = time.monotonic() + 30
        while not all(pool.is_compact for pool in _process._process.registry.present_pools()):
            assert time.monotonic() < deadline
            time.sleep(0.02)
        assert len(_process._process.registry.present_pools()) == 1
print("done", flush=True)
sys.stdin.readline()
"""
    )
    assert job.says() == "done"
    reader = attach(job.pid)
    reader.take_until(lambda frames: any(frame["frame"] == "levels" for frame in frames))
    assert received(reader.frames, "tasks", 0).rows == 5300
    assert received(reader.frames, "spawns", -1).rows == 5300
    job.tell("end")
    job.ends()


def test_a_jobs_main_module_has_the_names_it_has_under_python(tmp_path, folder):
    path = tmp_path / "job.py"
    path.write_text("print(sorted(globals()))")
    environment = {**os.environ, "IDLEHANDS_DIR": str(folder), "PYTHONPATH": SOURCES}
    plain, probed = (
        subprocess.run(
            [sys.executable, *more, str(path)],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
            timeout=SECONDS,
        ).stdout
        for more in ([], ["-m", "idlehands", "run"])
    )
    assert probed == plain
    assert "__name__" in json.dumps(plain)
