"""Discovery: which sockets are asked, how often, which answers are believed, what is not
touched."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import signal
import socket
import subprocess
import sys
from dataclasses import replace

import psutil
import pytest

from addresses import address
from fake_probes import GONE, FakeProbe, bye, hello, names, saying
from helpers import environment, wait_until
from idlehands.wire import VERSION, encode
from idlehands_monitor.ingest.intake import Intake
from idlehands_monitor.ingest.sources import asking, discovery, live
from idlehands_monitor.ingest.sources.attachment import Attachment
from idlehands_monitor.ingest.sources.discovery import Finder, Job, folders
from idlehands_monitor.ingest.sources.live import LiveSource

NOBODY = 65534
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root reads other users' probes")


@pytest.fixture(autouse=True)
def patience(monkeypatch):
    """Wait longer for an answer than anybody would: this machine may be busy."""
    monkeypatch.setattr(asking, "ANSWER_SECONDS", 20.0)
    monkeypatch.setattr(asking, "ALL_ANSWERS_SECONDS", 30.0)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """This user's socket folder."""
    path = tmp_path / "sockets"
    path.mkdir(mode=0o700)
    monkeypatch.setenv("IDLEHANDS_DIR", str(path))
    return path


@pytest.fixture
def everybodys(tmp_path, monkeypatch):
    """The temporary folder that root searches for other users' folders."""
    path = tmp_path / "everybody"
    path.mkdir(mode=0o1777)
    monkeypatch.delenv("IDLEHANDS_DIR")
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    monkeypatch.setenv("TMPDIR", str(path))
    monkeypatch.setattr(discovery, "RUNTIME_FOLDERS", str(tmp_path / "none"), raising=False)
    return path


@pytest.fixture
def fake():
    """Make sockets that answer as the test says; they end with it."""
    made = []

    def make(path, *frames, answer=None):
        made.append(FakeProbe(path, answer or saying(*frames)))
        return made[-1]

    yield make
    for one in made:
        one.close()


def stale(path, owner=None):
    """Leave a socket at which nobody listens."""
    with socket.socket(socket.AF_UNIX) as dead, address(path) as short:
        dead.bind(short)
    if owner is not None:
        os.chown(path, owner, owner)
    return path


def users_folder(path, owner=NOBODY):
    path.mkdir(mode=0o700)
    os.chown(path, owner, owner)
    return path


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


# Other people's files


@as_root
@pytest.mark.parametrize("name", ["idlehands-x", f"idlehands-{NOBODY}", "idlehands-0"])
def test_root_removes_nothing_behind_a_link_in_the_temporary_folder(everybodys, tmp_path, name):
    other = tmp_path / "other"
    other.mkdir(mode=0o700)
    (other / "9.sock").write_text("a letter")
    stale(other / f"{GONE}.sock")
    (everybodys / name).symlink_to(other)
    assert Finder().find() == []
    assert sorted(os.listdir(other)) == [f"{GONE}.sock", "9.sock"]


@as_root
def test_root_removes_nothing_behind_a_link_in_a_runtime_folder(everybodys, tmp_path, monkeypatch):
    other = tmp_path / "other"
    other.mkdir(mode=0o700)
    os.chown(other, NOBODY, NOBODY)
    stale(other / f"{GONE}.sock", NOBODY)
    runtime = tmp_path / "run" / str(NOBODY)
    runtime.mkdir(parents=True)
    (runtime / "idlehands").symlink_to(other)
    monkeypatch.setattr(discovery, "RUNTIME_FOLDERS", str(tmp_path / "run"))
    assert Finder().find() == []
    assert os.listdir(other) == [f"{GONE}.sock"]


@as_root
def test_root_leaves_the_stale_sockets_of_other_users(everybodys):
    path = stale(users_folder(everybodys / f"idlehands-{NOBODY}") / f"{GONE}.sock", NOBODY)
    assert Finder().find() == []
    assert path.exists()


@as_root
def test_a_folder_must_belong_to_the_user_in_its_name(everybodys, fake):
    path = everybodys / "idlehands-4321"
    path.mkdir(mode=0o700)  # root's own, under another user's name
    one = fake(path / "17.sock", hello(17))
    finder = Finder()
    assert finder.find() == []
    assert one.most_open == 0
    assert finder.refused == [f"socket folder {path} belongs to user 0"]


@as_root
def test_root_looks_where_the_temporary_folder_is_and_in_every_users_runtime_folder(
    everybodys, tmp_path, monkeypatch
):
    (everybodys / "idlehands-77").mkdir()
    (everybodys / "idlehands-x").mkdir()
    (tmp_path / "run" / "88").mkdir(parents=True)
    (tmp_path / "run" / "no-user").mkdir()
    monkeypatch.setattr(discovery, "RUNTIME_FOLDERS", str(tmp_path / "run"))
    assert folders() == [
        (str(everybodys / "idlehands-0"), 0),
        (str(tmp_path / "run" / "88" / "idlehands"), 88),
        (str(everybodys / "idlehands-77"), 77),
    ]


def test_a_stale_socket_in_ones_own_folder_is_removed(folder):
    path = stale(folder / f"{GONE}.sock")
    assert Finder().find() == []
    assert not path.exists()


def test_a_regular_file_that_is_named_like_a_socket_is_left(folder):
    path = folder / f"{GONE}.sock"
    path.write_text("a letter")
    assert Finder().find() == []
    assert path.read_text() == "a letter"


def test_a_link_that_is_named_like_a_socket_is_not_followed(folder, fake, tmp_path):
    elsewhere = fake(tmp_path / "17.sock", hello(17))
    (folder / "17.sock").symlink_to(tmp_path / "17.sock")
    assert Finder().find() == []
    assert elsewhere.most_open == 0


def test_a_socket_that_becomes_a_link_after_it_was_listed_is_not_followed(
    folder, fake, tmp_path, monkeypatch
):
    fake(folder / "17.sock", hello(17))
    elsewhere = fake(tmp_path / "17.sock", hello(17))
    listed = asking.connect

    def swap_and_connect(opened, name):
        os.unlink(folder / name)
        (folder / name).symlink_to(tmp_path / "17.sock")
        return listed(opened, name)

    monkeypatch.setattr(asking, "connect", swap_and_connect)
    (process,) = Finder().find()
    assert process.note.startswith("cannot be asked")
    assert elsewhere.most_open == 0


@pytest.mark.parametrize(
    "name",
    [
        "\x1b[31m7.sock",
        "7\n.sock",
        "7.sock.sock",
        "-7.sock",
        "07.sock",
        "x.sock",
        "٧.sock",
        ".sock",
    ],
)
def test_a_socket_with_a_name_that_no_probe_gives_is_not_asked(folder, fake, name):
    one = fake(folder / name, hello(7))
    assert Finder().find() == []
    assert one.most_open == 0
    assert (folder / name).exists()


# Who answers


@as_root
def test_root_reads_the_probe_of_another_user(everybodys, tmp_path):
    path = users_folder(everybodys / f"idlehands-{NOBODY}")
    with as_user(NOBODY, path / "17.sock", hello(17) + names("berth")):
        (process,) = Finder().find()
        assert (process.owner, process.note) == (NOBODY, "")
        assert [pool.name for pool in process.pools] == ["berth"]


@as_root
def test_a_socket_that_another_user_serves_is_left_alone(folder, tmp_path):
    open_to_all = tmp_path / "anybody"
    open_to_all.mkdir()
    os.chown(open_to_all, NOBODY, NOBODY)
    with as_user(NOBODY, open_to_all / "17.sock", hello(17) + names("berth")) as service:
        os.rename(open_to_all / "17.sock", folder / "17.sock")
        os.chown(folder / "17.sock", 0, 0)
        (process,) = Finder().find()
        assert process.pools == ()
        assert process.note == (
            f"has a socket that user {NOBODY} serves, who is neither its owner nor root; "
            "nothing is read from it"
        )
        assert service.stdout.readline() == "b''\n"  # nothing was sent to it


@contextlib.contextmanager
def as_user(user, path, answer):
    """Serve one connection at `path` as another user, who prints what it was sent."""
    program = (
        "import contextlib, os, socket, sys\n"
        "listener = socket.socket(socket.AF_UNIX)\n"
        "os.setgroups([]); os.setgid(int(sys.argv[1])); os.setuid(int(sys.argv[1]))\n"
        "listener.bind('/proc/self/fd/%s/%s' % (sys.argv[2], sys.argv[3]))\n"
        "listener.listen()\n"
        "print('ready', flush=True)\n"
        "connection, _ = listener.accept()\n"
        "with contextlib.suppress(OSError):\n"
        "    connection.sendall(bytes.fromhex(sys.argv[4]))\n"
        "    connection.shutdown(socket.SHUT_WR)\n"
        "said = b''\n"
        "with contextlib.suppress(OSError):\n"
        "    said = connection.recv(16)\n"
        "print(said, flush=True)\n"
    )
    place = os.open(path.parent, os.O_RDONLY)
    service = subprocess.Popen(
        [sys.executable, "-c", program, str(user), str(place), path.name, answer.hex()],
        pass_fds=[place],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert service.stdout.readline() == "ready\n"
        yield service
    finally:
        os.close(place)
        service.kill()
        service.communicate()


def test_a_socket_that_answers_for_another_process_is_no_probe(folder, fake):
    fake(folder / "17.sock", hello(18), names("berth"))
    (process,) = Finder().find()
    assert (process.pid, process.pools) == (17, ())
    assert process.note == "has a socket, but what answers on it is no probe"


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        names("berth"),
        encode({"frame": "names"}),
        hello(17) + encode({"frame": "names"}),
        hello(17) + encode({"frame": "names", "pool": [1]}),
        hello(17) + encode({"frame": "names", "pool": 1, "workers": float("inf")}),
    ],
)
def test_a_socket_that_answers_otherwise_than_a_probe_is_no_probe(folder, fake, answer):
    fake(folder / "17.sock", answer)
    (process,) = Finder().find()
    assert process.pools == ()
    assert process.note in ("", "has a socket, but what answers on it is no probe")
    assert bool(process.note) or answer.startswith(hello(17))


def test_a_probe_of_a_later_version_is_reported_as_one(folder, fake):
    fake(folder / "17.sock", hello(17, version=VERSION + 1))
    (process,) = Finder().find()
    assert f"version {VERSION + 1}" in process.note


def test_a_probe_that_turns_its_caller_away_is_found_with_its_reason(folder, fake):
    fake(folder / "17.sock", hello(17), bye("16 callers are connected already"))
    (process,) = Finder().find()
    assert process.note == "refused the connection: 16 callers are connected already"


def test_a_probe_without_a_pool_is_found(folder, fake):
    fake(folder / "17.sock", hello(17))
    (process,) = Finder().find()
    assert (process.program, process.pools, process.note) == ("berth.py", (), "")


# Those that do not answer


def test_silent_sockets_are_waited_for_together(folder, fake, monkeypatch):
    """Many are connected to before one is given up; one after the other, never two are."""
    monkeypatch.setattr(asking, "ANSWER_SECONDS", 0.5)
    open_now, most_open = set(), [0]

    def count(connection):
        open_now.add(connection)
        most_open[0] = max(most_open[0], len(open_now))
        with contextlib.suppress(OSError):
            while connection.recv(16):
                pass
        open_now.discard(connection)

    for pid in range(20, 30):
        fake(folder / f"{pid}.sock", answer=count)
    found = Finder().find()
    assert most_open[0] > 3
    assert {process.note for process in found} == {"has a probe that did not answer within 0.5 s"}


def test_a_full_folder_of_silent_sockets_does_not_hold_up_another_users(monkeypatch):
    silent = [replace_name(pid, "hers") for pid in range(100)]
    (answering,) = [replace_name(7, "his")]
    order = list(discovery._in_turn([silent, [answering]]))
    assert order.index(answering) == 1
    assert len(order) == 101


def replace_name(pid, folder):
    return replace(asking.ProbeSocket(folder, "", 0, (0, 0)), pid=pid, name=f"{pid}.sock")


def test_sockets_that_there_was_no_time_to_ask_are_counted_and_asked_the_next_time(
    folder, fake, monkeypatch
):
    for pid in (17, 18):
        fake(folder / f"{pid}.sock", hello(pid))
    finder = Finder()
    with monkeypatch.context() as hurried:
        hurried.setattr(asking, "ALL_ANSWERS_SECONDS", 0.0)
        assert finder.find() == []
    assert finder.unasked == 2
    assert [process.pid for process in finder.find()] == [17, 18]
    assert finder.unasked == 0


def test_an_answer_without_end_is_read_to_a_limit(folder, fake, monkeypatch):
    monkeypatch.setattr(asking, "ANSWER_BYTES", 1 << 18)
    sent = [0]

    def endless(connection):
        connection.sendall(hello(17))
        piece = names("berth") * 100
        with contextlib.suppress(OSError):
            while True:
                sent[0] += connection.send(piece)

    fake(folder / "17.sock", answer=endless)
    (process,) = Finder().find()
    assert [pool.name for pool in process.pools] == ["berth"]
    assert sent[0] < 1 << 20  # the limit and what the kernel holds for a socket


def test_an_answer_longer_than_a_socket_holds_is_read_whole(folder, fake):
    """A probe takes a caller who says no more, while it still has much to send, for gone."""
    pools = 4000

    def answer(connection):
        connection.setblocking(False)
        left = hello(17) + b"".join(names("berth", pool) for pool in range(pools))
        while left:
            wants = select.select([connection], [connection], [], 10)
            if connection in wants[0] and not connection.recv(16):
                return
            if connection in wants[1]:
                with contextlib.suppress(BlockingIOError):
                    left = left[connection.send(left) :]
        connection.setblocking(True)

    fake(folder / "17.sock", answer=answer)
    (process,) = Finder().find()
    assert len(process.pools) == pools


def test_a_socket_with_a_full_queue_of_callers_does_not_answer_and_is_not_waited_for(folder):
    with socket.socket(socket.AF_UNIX) as listener, contextlib.ExitStack() as stack:
        listener.bind(str(folder / "17.sock"))
        listener.listen(0)
        with contextlib.suppress(BlockingIOError):
            for _ in range(9):
                caller = stack.enter_context(socket.socket(socket.AF_UNIX))
                caller.setblocking(False)
                caller.connect(str(folder / "17.sock"))
        (process,) = Finder().find()
    assert "did not answer" in process.note
    assert (folder / "17.sock").exists()


def test_a_stopped_process_is_reported_as_stopped(folder, monkeypatch):
    monkeypatch.setattr(asking, "ANSWER_SECONDS", 0.1)
    program = (
        "import socket, sys, os\n"
        "listener = socket.socket(socket.AF_UNIX)\n"
        "listener.bind('%s/%d.sock' % (sys.argv[1], os.getpid()))\n"
        "listener.listen()\n"
        "print('ready', flush=True)\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        process.stdout.readline()
        process.send_signal(signal.SIGSTOP)
        (found,) = Finder().find()
        process.kill()
    assert found.note == "has a probe that does not answer: the process is stopped"


# Asked once


def test_a_probe_is_asked_for_names_only_and_once_in_some_seconds(folder, fake):
    one = fake(folder / "17.sock", hello(17), names("berth"))
    clock = Clock()
    finder = Finder(clock)
    for _ in range(10):
        clock.now += 0.4
        (process,) = finder.find()
        assert [pool.name for pool in process.pools] == ["berth"]
    wait_until(lambda: one.asked, "the caller's first bytes")
    assert one.asked == [b"n"]
    clock.now += discovery.AGAIN_SECONDS
    finder.find()
    wait_until(lambda: len(one.asked) == 2, "a second call")


def test_another_socket_of_the_same_name_is_asked_at_once(folder, fake):
    finder = Finder(Clock())
    first = fake(folder / "17.sock", hello(17), names("berth"))
    finder.find()
    fake(folder / "new.sock", hello(17), names("crane"))
    first.close()
    os.rename(folder / "new.sock", folder / "17.sock")
    (process,) = finder.find()
    assert [pool.name for pool in process.pools] == ["crane"]


def test_a_socket_that_did_not_answer_is_asked_again_only_after_some_seconds(
    folder, fake, monkeypatch
):
    monkeypatch.setattr(asking, "ANSWER_SECONDS", 0.05)
    one = fake(folder / "17.sock", answer=lambda connection: connection.recv(16))
    one_call = Finder(Clock())
    for _ in range(5):
        assert "did not answer" in one_call.find()[0].note or "no probe" in one_call.find()[0].note
    wait_until(lambda: one.asked, "the call's end")
    assert len(one.asked) == 1


def test_an_attached_process_is_not_asked(folder, fake):
    one = fake(folder / "17.sock", hello(17))
    assert Finder().find(attached={str(folder / "17.sock")}) == []
    assert one.most_open == 0


def test_where_a_process_is_wanted_only_its_family_is_asked(folder, fake):
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as child:
        own = fake(folder / f"{os.getpid()}.sock", hello(os.getpid()))
        childs = fake(folder / f"{child.pid}.sock", hello(child.pid))
        other = fake(folder / "1.sock", hello(1), names("berth"))
        job = Job(str(os.getpid()))
        found = job.of(Finder().find(job))
        child.communicate(b"\n")
    assert [process.pid for process in found] == [os.getpid(), child.pid]
    assert (own.most_open, childs.most_open, other.most_open) == (1, 1, 0)


POOL = """
import sys, time
import idlehands
probe = idlehands.declare_pool(sys.argv[1], workers=1)
worker = probe.worker(0)
worker.bind()
while True:
    worker.running(worker.spawned("tick"))
    time.sleep(0.002)
    worker.finished()
"""


@pytest.fixture
def berth(folder):
    """A process with a pool called berth."""
    with subprocess.Popen([sys.executable, "-c", POOL, "berth"], env=environment(folder)) as one:
        wait_until((folder / f"{one.pid}.sock").exists, "its socket")
        yield one
        one.kill()


@pytest.mark.parametrize(("by", "asked"), [("pid", 0), ("name", 1)])
def test_watching_one_process_leaves_the_others_alone(folder, fake, berth, monkeypatch, by, asked):
    other = fake(folder / "1.sock", hello(1), names("crane"))
    searches = []
    find = Finder.find

    def counted(self, *arguments):
        searches.append(arguments)
        return find(self, *arguments)

    monkeypatch.setattr(Finder, "find", counted)
    monkeypatch.setattr("idlehands_monitor.ingest.sources.live.JOINED_SECONDS", 0.01)
    monkeypatch.setattr(discovery, "AGAIN_SECONDS", 1000.0)
    source = LiveSource(str(berth.pid) if by == "pid" else "berth")
    try:
        wait_until(lambda: source.status.state == "live" and len(searches) >= 20, "twenty searches")
    finally:
        source.close()
    assert other.most_open == asked
    wait_until(lambda: len(other.asked) == asked, "the end of its call")
    assert other.asked == [b"n"] * asked


def test_a_watched_process_has_no_network_port_open(berth):
    source = LiveSource(str(berth.pid))
    try:
        wait_until(lambda: source.status.state == "live", "being attached")
        assert psutil.Process(berth.pid).net_connections("inet") == []
        assert psutil.Process(berth.pid).net_connections("unix") != []
    finally:
        source.close()


def test_a_process_that_ends_soon_after_it_was_attached_is_not_attached_again(folder, berth):
    source = LiveSource(str(berth.pid))
    try:
        wait_until(lambda: source.status.state == "live", "being attached")
        berth.kill()
        wait_until(lambda: source.status.state == "ended", "the end")
        assert source.status.note == f"process {berth.pid} was killed or crashed"
    finally:
        source.close()


# Attaching


@pytest.fixture
def attach():
    """Attach to what is found at a path, and read to the end."""

    def read(path, owner=None):
        process = asking.FoundProcess(17, str(path), owner=os.geteuid() if owner is None else owner)
        one = Attachment(process, Intake())
        asyncio.run(one.serve())
        return one

    return read


def test_a_reader_that_is_turned_away_says_why(folder, fake, attach):
    fake(folder / "17.sock", hello(17), names("berth"), bye("8 readers are attached already"))
    one = attach(folder / "17.sock")
    assert one.refused
    assert one.ended == "process 17 refused the connection: 8 readers are attached already"


def test_a_reader_that_was_sent_anything_before_the_end_was_not_turned_away(folder, fake, attach):
    cost = encode({"frame": "cost", "at_ns": 1, "recording_ns": 1, "sending_ns": 1})
    fake(folder / "17.sock", hello(17), names("berth"), cost, bye())
    one = attach(folder / "17.sock")
    assert not one.refused
    assert one.ended == "process 17 has ended"


def test_a_reader_that_was_turned_away_comes_again_only_after_some_seconds(
    folder, fake, monkeypatch
):
    one = fake(folder / "17.sock", hello(17), names("berth"), bye("8 readers are attached already"))

    def readers():
        return one.asked.count(b"")  # who calls for names only says so

    searches = []
    find = Finder.find
    monkeypatch.setattr(Finder, "find", lambda *given: searches.append(1) or find(*given))
    monkeypatch.setattr(live, "RETRY_SECONDS", 0.01)
    monkeypatch.setattr(live, "AGAIN_SECONDS", 1000.0)
    source = LiveSource("berth")
    try:
        wait_until(lambda: len(searches) >= 20 and readers(), "twenty searches")
        assert readers() == 1
        monkeypatch.setattr(live, "AGAIN_SECONDS", 0.0)
        wait_until(lambda: readers() > 1, "another reader")
    finally:
        source.close()


def test_a_link_in_a_sockets_place_is_not_attached_to(folder, fake, attach, tmp_path):
    elsewhere = fake(tmp_path / "17.sock", hello(17))
    (folder / "17.sock").symlink_to(tmp_path / "17.sock")
    one = attach(folder / "17.sock")
    assert one.complaint.startswith("process 17 cannot be attached to")
    assert elsewhere.most_open == 0


def test_a_folder_that_was_given_away_is_not_attached_in(folder, fake, attach):
    fake(folder / "17.sock", hello(17))
    folder.chmod(0o755)
    assert "is open to other users" in attach(folder / "17.sock").complaint


@as_root
def test_a_socket_that_another_user_serves_is_not_attached_to(folder, attach, tmp_path):
    place = tmp_path / "anybody"
    place.mkdir()
    os.chown(place, NOBODY, NOBODY)
    with as_user(NOBODY, place / "17.sock", hello(17)):
        os.rename(place / "17.sock", folder / "17.sock")
        os.chown(folder / "17.sock", 0, 0)
        assert f"a socket that user {NOBODY} serves" in attach(folder / "17.sock").complaint


@as_root
@pytest.mark.parametrize("owner", [0, NOBODY])
def test_a_users_probe_does_not_have_root_sample_the_processes_of_others(owner):
    """What root samples gets into captures."""
    one = Attachment(asking.FoundProcess(17, "17.sock", owner=owner), Intake())
    own = [1, os.getpid(), 0, "worker", os.getpid()]
    frame = {"frame": "names", "pool": 1, "threads": [own]}
    one._take([(frame, b"")])
    assert one._threads == {1: {(os.getpid(), os.getpid())} if owner == 0 else set()}


@as_root
def test_root_attaches_to_the_probe_of_another_user(everybodys, attach):
    path = users_folder(everybodys / f"idlehands-{NOBODY}")
    cost = encode({"frame": "cost", "at_ns": 1, "recording_ns": 1, "sending_ns": 1})
    with as_user(NOBODY, path / "17.sock", hello(17) + cost + bye()):
        one = attach(path / "17.sock", NOBODY)
    assert one.complaint == ""
    assert one.ended == "process 17 has ended"
