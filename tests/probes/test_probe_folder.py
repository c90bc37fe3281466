"""The socket folder: which one it is, what is refused, and addresses too long for the kernel."""

from __future__ import annotations

import contextlib
import os
import socket
import stat
import time
from pathlib import Path

import pytest

from idlehands import _folder, _listener
from idlehands._descriptors import Identity, content_of
from idlehands._folder import open_own_folder
from idlehands._listener import Listener
from idlehands._pool_registry import PoolRegistry
from idlehands._publisher import LOST, Publisher
from idlehands.wire import (
    Folder,
    FolderRefused,
    folder_path,
    may_talk,
    peer_uid,
)

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place for the folder, not there yet, that the environment names."""
    path = tmp_path / "sockets"
    monkeypatch.setenv("IDLEHANDS_DIR", str(path))
    return path


def made() -> str:
    """Create the folder where need be; return its path."""
    with open_own_folder() as folder:
        return folder.path


def test_the_folder_named_outright_comes_before_the_runtime_directory(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("IDLEHANDS_DIR", str(tmp_path / "mine"))
    assert folder_path() == str(tmp_path / "mine")


def test_a_relative_folder_is_meant_from_the_working_directory(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("IDLEHANDS_DIR", "mine")
    assert folder_path() == str(tmp_path / "mine")


def test_the_runtime_directory_comes_before_the_temporary_one(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.setenv("TMPDIR", "/elsewhere")
    assert folder_path() == str(tmp_path / "idlehands")


@pytest.mark.parametrize("runtime", ["", "/nowhere/at/all"])
def test_without_a_runtime_directory_the_temporary_one_holds_a_folder_per_user(
    tmp_path, monkeypatch, runtime
):
    monkeypatch.setenv("XDG_RUNTIME_DIR", runtime)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    assert folder_path() == str(tmp_path / f"idlehands-{os.geteuid()}")


def test_with_nothing_in_the_environment_the_folder_is_under_tmp(monkeypatch):
    monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
    monkeypatch.delenv("TMPDIR", raising=False)
    assert folder_path() == f"/tmp/idlehands-{os.geteuid()}"  # noqa: S108


def test_a_new_folder_is_closed_to_everybody_else(place):
    before = os.umask(0)
    try:
        assert made() == str(place)
    finally:
        os.umask(before)
    assert stat.S_IMODE(place.stat().st_mode) == 0o700


def test_a_folder_that_is_there_is_used_again(place):
    made()
    (place / "1.sock").touch()
    assert made() == str(place)
    assert (place / "1.sock").exists()


@pytest.mark.parametrize("mode", [0o755, 0o750, 0o710, 0o701, 0o720, 0o777])
def test_a_folder_open_to_others_is_refused_and_left_as_it_is(place, mode):
    place.mkdir()
    place.chmod(mode)
    with pytest.raises(FolderRefused, match=f"open to other users .mode {mode:o}.*chmod 700"):
        made()
    assert stat.S_IMODE(place.stat().st_mode) == mode


def test_a_link_to_a_proper_folder_is_refused(place, tmp_path):
    (tmp_path / "real").mkdir(mode=0o700)
    place.symlink_to(tmp_path / "real")
    with pytest.raises(FolderRefused, match="is not a directory"):
        made()


def test_a_link_to_nowhere_is_refused(place, tmp_path):
    place.symlink_to(tmp_path / "nothing")
    with pytest.raises(FolderRefused, match="is not a directory"):
        made()
    assert not (tmp_path / "nothing").exists()


@pytest.fixture
def opens_in_place_of(tmp_path):
    """Return a function that closes a descriptor and opens a file of the job's under its number.

    After the test each of these files must be open as it was.
    """
    opened = {}

    def put(number: int) -> None:
        file = os.open(tmp_path / "logbook", os.O_RDWR | os.O_CREAT)
        os.dup2(file, number)
        os.close(file)
        opened[number] = os.fstat(number).st_ino

    yield put
    assert opened
    for number, inode in opened.items():
        assert os.fstat(number).st_ino == inode, "the job's descriptor was closed"
        os.close(number)


def test_a_file_under_the_number_of_a_socket_that_asks_is_left_alone(place, opens_in_place_of):
    with open_own_folder() as folder:
        number = os.dup(folder.descriptor)
        os.close(number)  # so it is the one that the socket gets

        def address(name: str) -> str:
            opens_in_place_of(number)
            return str(place / name)

        folder.address = address
        assert not _listener.is_dead(folder, "1.sock")


def test_a_file_under_the_number_of_a_kernel_file_is_left_alone(monkeypatch, opens_in_place_of):
    read = os.pread

    def read_after_the_job(number: int, size: int, offset: int) -> bytes:
        opens_in_place_of(number)
        return read(number, size, offset)

    monkeypatch.setattr(os, "pread", read_after_the_job)
    assert content_of("/proc/self/stat") == b""


def test_a_file_under_the_number_of_the_folder_is_left_alone_and_is_a_lost_descriptor(
    place, monkeypatch, opens_in_place_of
):
    identity_of = _folder.identity_of

    def identity_before_the_job(number: int) -> Identity | None:
        identity = identity_of(number)
        opens_in_place_of(number)
        return identity

    monkeypatch.setattr(_folder, "identity_of", identity_before_the_job)
    with pytest.raises(NotADirectoryError) as raised:
        made()
    assert raised.value.errno in LOST  # so the publisher tries again and warns of nothing


def test_a_file_in_the_folders_place_is_refused(place):
    place.touch(mode=0o600)
    with pytest.raises(FolderRefused, match="is not a directory"):
        made()


@as_root
def test_a_folder_of_another_user_is_refused(place):
    place.mkdir(mode=0o700)
    os.chown(place, 65534, 65534)
    with pytest.raises(FolderRefused, match="belongs to user 65534"):
        made()


def test_a_folder_that_is_not_there_cannot_be_verified(place):
    with pytest.raises(FolderRefused, match="No such file"):
        Folder(str(place))


def test_a_folder_without_a_parent_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv("IDLEHANDS_DIR", str(tmp_path / "no" / "where"))
    with pytest.raises(FolderRefused, match="its parent does not exist"):
        made()


def test_a_path_too_long_for_the_kernel_can_be_bound_and_connected_to(tmp_path):
    deep = tmp_path / ("d" * 60) / ("e" * 60)
    deep.mkdir(parents=True, mode=0o700)
    path = deep / "1.sock"
    assert len(os.fsencode(path)) > 107
    with (
        Folder(str(deep)) as folder,
        socket.socket(socket.AF_UNIX) as listener,
        socket.socket(socket.AF_UNIX) as caller,
    ):
        listener.bind(folder.address("1.sock"))
        listener.listen()
        assert stat.S_ISSOCK(path.stat().st_mode)
        caller.connect(folder.address("1.sock"))
        answering, _ = listener.accept()
        with answering:
            caller.sendall(b"hello")
            assert answering.recv(5) == b"hello"


def test_both_ends_of_a_pair_belong_to_this_user_and_may_talk():
    one, other = socket.socketpair()
    with one, other:
        assert peer_uid(one) == peer_uid(other) == os.geteuid()
        assert may_talk(one)


def test_where_the_platform_cannot_tell_who_calls_the_folder_is_enough(monkeypatch):
    monkeypatch.delattr(socket, "SO_PEERCRED")
    one, other = socket.socketpair()
    with one, other:
        assert peer_uid(one) is None
        assert may_talk(one)


@pytest.mark.parametrize(("uid", "welcome"), [(0, True), (4321, True), (4322, False)])
def test_only_root_and_the_same_user_may_talk(monkeypatch, uid, welcome):
    monkeypatch.setattr("idlehands._folder.peer_uid", lambda connection: uid)
    monkeypatch.setattr("idlehands._folder.os.geteuid", lambda: 4321)
    one, other = socket.socketpair()
    with one, other:
        assert may_talk(one) is welcome


# The socket in the folder


@pytest.fixture
def listen(place):
    listeners = []

    def listen():
        listener = Listener()
        listeners.append(listener)
        return listener

    yield listen
    for listener in listeners:
        listener.close()


def test_a_socket_is_named_for_its_process_and_closed_to_everybody_else(listen, place):
    before = os.umask(0)
    try:
        listener = listen()
    finally:
        os.umask(before)
    assert listener.path == str(place / f"{os.getpid()}.sock")
    assert stat.S_IMODE(os.stat(listener.path).st_mode) == 0o600


def test_a_dead_socket_of_the_same_name_is_replaced(listen, place):
    place.mkdir(mode=0o700)
    path = str(place / f"{os.getpid()}.sock")
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(path)
    listener = listen()
    assert listener.path == path
    with socket.socket(socket.AF_UNIX) as caller:
        caller.connect(path)
    assert os.listdir(place) == [f"{os.getpid()}.sock"]


def test_a_live_socket_of_the_same_name_is_left_alone(listen, place):
    place.mkdir(mode=0o700)
    path = str(place / f"{os.getpid()}.sock")
    with socket.socket(socket.AF_UNIX) as live:
        live.bind(path)
        live.listen()
        inode = os.stat(path).st_ino
        listener = listen()
        assert listener.path == str(place / f"{os.getpid()}-1.sock")
        assert os.stat(path).st_ino == inode


def test_a_name_whose_holder_answers_nobody_is_left_alone_without_waiting(listen, place):
    place.mkdir(mode=0o700)
    path = str(place / f"{os.getpid()}.sock")
    with contextlib.ExitStack() as stack:
        stopped = stack.enter_context(socket.socket(socket.AF_UNIX))
        stopped.bind(path)
        stopped.listen(0)
        for _ in range(8):  # until its backlog is full, where a blocking caller waits for ever
            caller = stack.enter_context(socket.socket(socket.AF_UNIX))
            caller.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                caller.connect(path)
        assert listen().path == str(place / f"{os.getpid()}-1.sock")


def test_a_file_of_the_sockets_name_is_left_alone(listen, place):
    place.mkdir(mode=0o700)
    file = place / f"{os.getpid()}.sock"
    file.write_text("mine")
    assert listen().path == str(place / f"{os.getpid()}-1.sock")
    assert file.read_text() == "mine"


def test_a_name_never_leads_to_a_socket_that_does_not_listen_yet(listen, place, monkeypatch):
    seen = []

    class Looking(socket.socket):
        def bind(self, *arguments):
            super().bind(*arguments)
            seen.extend(name for name in os.listdir(place) if name.endswith(".sock"))

        def listen(self, *arguments):
            seen.extend(name for name in os.listdir(place) if name.endswith(".sock"))
            super().listen(*arguments)

    monkeypatch.setattr(_listener.socket, "socket", Looking)
    listen()
    assert seen == []
    assert os.listdir(place) == [f"{os.getpid()}.sock"]


def test_a_socket_is_taken_away_only_while_its_name_leads_to_it(listen, place):
    listener = listen()
    os.unlink(listener.path)
    with socket.socket(socket.AF_UNIX) as another:
        another.bind(listener.path)
        listener.remove()
        assert os.path.exists(listener.path)


def test_a_socket_in_a_long_folder_can_be_reached(tmp_path, monkeypatch):
    deep = tmp_path / ("d" * 120)
    monkeypatch.setenv("IDLEHANDS_DIR", str(deep))
    listener = Listener()
    try:
        with socket.socket(socket.AF_UNIX) as caller, Folder(str(deep)) as folder:
            caller.connect(folder.address(listener.name))
    finally:
        listener.close()


def test_an_unsafe_folder_is_refused_and_left_without_a_socket(place):
    place.mkdir()
    place.chmod(0o755)
    with pytest.raises(FolderRefused):
        Listener()
    assert os.listdir(place) == []


def test_a_socket_is_removed_from_nobody_elses_folder(place):
    place.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(place / "7.sock"))
    with Folder(str(place)) as folder:
        identity = folder.identity("7.sock")
        folder.owner = os.geteuid() + 1
        assert not folder.remove("7.sock", identity)
    assert (place / "7.sock").exists()


def test_what_is_no_socket_of_the_owners_is_not_listed(place, tmp_path):
    place.mkdir(mode=0o700)
    (place / "1.sock").write_text("a file")
    (place / "2.sock").symlink_to(tmp_path)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(place / "3.sock"))
    with Folder(str(place)) as folder:
        assert folder.sockets() == ["3.sock"]


def test_the_draft_sockets_of_a_killed_process_are_removed_after_a_while(listen, place):
    place.mkdir(mode=0o700)
    names = [".7-0123456789ab", ".8-0123456789ab"]
    for name in names:
        with socket.socket(socket.AF_UNIX) as dead:
            dead.bind(str(place / name))
    hour_ago = time.time() - 3600
    os.utime(place / names[0], (hour_ago, hour_ago))
    listen()
    assert sorted(os.listdir(place)) == [names[1], f"{os.getpid()}.sock"]


def test_sockets_of_dead_processes_are_swept_away_and_those_of_living_ones_left(listen, place):
    place.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(place / "7.sock"))
    with socket.socket(socket.AF_UNIX) as living:
        living.bind(str(place / "8.sock"))
        living.listen()
        listen()
    assert sorted(os.listdir(place)) == sorted(["8.sock", f"{os.getpid()}.sock"])


def lose_the_descriptor(folder_of_the_job, kept):
    """Return what stands in for `_listen`: the job closes the socket, and opens a file there."""

    def listen(listener, folder):
        number = listener.fileno()
        os.close(number)
        kept.append(open(folder_of_the_job / f"log-{len(kept)}", "w"))  # noqa: SIM115 - kept
        assert kept[-1].fileno() == number
        listener.bind(folder.address("never"))

    return listen


def test_a_listener_that_lost_its_descriptor_closes_no_file_of_the_jobs(
    folder, monkeypatch, tmp_path
):
    kept = []
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))
    monkeypatch.setattr("idlehands._listener._listen", lose_the_descriptor(tmp_path, kept))
    with pytest.raises(OSError, match="on non-socket"):
        Listener()
    with kept[0] as log:
        log.write("kept")
    assert (tmp_path / "log-0").read_text() == "kept"


def test_a_descriptor_that_was_lost_once_is_no_reason_to_warn(folder, monkeypatch, tmp_path):
    kept, warned = [], []
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))
    monkeypatch.setattr("idlehands._listener._listen", lose_the_descriptor(tmp_path, kept))
    monkeypatch.setattr("idlehands._publisher.warn", lambda *message: warned.append(message))
    publisher = Publisher(PoolRegistry(lambda: None))
    for _ in range(2):
        publisher._listen()
        assert bool(warned) == (len(kept) > 1)
    assert len(kept) == 2
    publisher.abandon()
    for log in kept:
        log.close()


def test_a_folder_that_lost_its_descriptor_closes_no_file_of_the_jobs(place, tmp_path):
    place.mkdir(mode=0o700)
    folder = Folder(str(place))
    os.close(folder.descriptor)
    with open(tmp_path / "log", "w") as log:
        assert log.fileno() == folder.descriptor
        folder.close()
        log.write("kept")
    assert (tmp_path / "log").read_text() == "kept"
