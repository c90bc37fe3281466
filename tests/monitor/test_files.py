"""Files written for a person: readable by their owner alone, whole, and nothing else touched."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys

import pytest

from idlehands_monitor.ingest.capture import CaptureError, CaptureReader, CaptureWriter
from idlehands_monitor.ingest.files import FileError, NewFile
from idlehands_monitor.ingest.intake import Intake
from idlehands_monitor.ingest.sources.replay import ReplaySource

NOBODY = 65534
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")


def put(path, data, **options):
    with NewFile(path, **options) as file:
        file.write(data)


def mode(path):
    return stat.S_IMODE(os.lstat(path).st_mode)


@pytest.fixture
def no_umask():
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.mark.usefixtures("no_umask")
def test_a_new_file_is_its_owners_alone(tmp_path):
    put(tmp_path / "a.html", b"all of it")
    assert (tmp_path / "a.html").read_bytes() == b"all of it"
    assert mode(tmp_path / "a.html") == 0o600
    assert os.listdir(tmp_path) == ["a.html"]


def test_a_name_without_a_folder_is_in_the_working_one(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    put("a.html", b"here")
    assert (tmp_path / "a.html").read_bytes() == b"here"


@pytest.mark.parametrize("content", [b"", b"mine"])
def test_an_existing_file_is_not_changed(tmp_path, content):
    path = tmp_path / "a.html"
    path.write_bytes(content)
    path.chmod(0o666)
    with pytest.raises(FileError, match="exists and was not changed; --force replaces it"):
        put(path, b"new")
    assert (path.read_bytes(), mode(path)) == (content, 0o666)
    assert os.listdir(tmp_path) == ["a.html"]


def test_a_file_that_appears_meanwhile_is_not_changed(tmp_path):
    path = tmp_path / "a.html"
    file = NewFile(path)
    file.write(b"new")
    path.write_bytes(b"theirs")
    with pytest.raises(FileError, match="exists"), file:
        pass
    assert path.read_bytes() == b"theirs"
    assert os.listdir(tmp_path) == ["a.html"]


def test_a_name_taken_between_looking_and_naming_is_not_taken_away(tmp_path, monkeypatch):
    path = tmp_path / "a.html"
    file = NewFile(path)
    monkeypatch.setattr(NewFile, "_check", lambda _: path.write_bytes(b"theirs"))
    with pytest.raises(FileError, match="File exists"), file:
        pass
    assert path.read_bytes() == b"theirs"


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("there", [True, False])
def test_a_link_is_neither_followed_nor_replaced(tmp_path, replace, there):
    other = tmp_path / "letter"
    if there:
        other.write_text("mine")
    (tmp_path / "a.html").symlink_to(other)
    with pytest.raises(FileError, match="is not a regular file; it was not changed"):
        put(tmp_path / "a.html", b"new", replace=replace)
    assert (tmp_path / "a.html").is_symlink()
    assert other.exists() == there
    assert not there or other.read_text() == "mine"


@pytest.mark.parametrize("make", [os.mkdir, os.mkfifo], ids=["folder", "pipe"])
@pytest.mark.parametrize("replace", [False, True])
def test_what_is_no_regular_file_is_never_replaced(tmp_path, make, replace):
    make(tmp_path / "a.html")
    with pytest.raises(FileError, match="is not a regular file"):
        put(tmp_path / "a.html", b"new", replace=replace)
    assert os.listdir(tmp_path) == ["a.html"]


def test_a_file_that_is_replaced_is_a_new_one_and_not_written_into(tmp_path):
    path, other_name = tmp_path / "a.html", tmp_path / "backup.html"
    path.write_bytes(b"old")
    path.chmod(0o666)
    os.link(path, other_name)
    put(path, b"new", replace=True)
    assert (path.read_bytes(), mode(path)) == (b"new", 0o600)
    assert (other_name.read_bytes(), mode(other_name)) == (b"old", 0o666)


@as_root
def test_a_file_of_another_user_is_not_replaced_even_by_root(tmp_path):
    path = tmp_path / "a.html"
    path.write_bytes(b"theirs")
    os.chown(path, NOBODY, NOBODY)
    with pytest.raises(FileError, match=f"belongs to user {NOBODY}"):
        put(path, b"new", replace=True)
    assert path.read_bytes() == b"theirs"


@pytest.mark.parametrize("replace", [False, True])
def test_a_file_that_fails_halfway_leaves_nothing_but_the_existing_file(tmp_path, replace):
    path = tmp_path / "a.html"
    if replace:
        path.write_bytes(b"old")
    file = NewFile(path, replace=replace)
    file.write(b"half")
    assert not path.exists() or path.read_bytes() == b"old"
    with pytest.raises(ZeroDivisionError), file:
        raise ZeroDivisionError
    assert os.listdir(tmp_path) == (["a.html"] if replace else [])


def test_where_there_are_no_hard_links_a_new_file_gets_its_name_all_the_same(tmp_path, monkeypatch):
    def refuse(*_arguments, **_options):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    put(tmp_path / "a.html", b"all of it")
    assert (tmp_path / "a.html").read_bytes() == b"all of it"
    assert os.listdir(tmp_path) == ["a.html"]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("no/where/a.html", "No such file"),
        ("", "is not the name of a file"),
        (".", "not a regular file"),
    ],
)
def test_a_place_where_no_file_can_be_is_reported_in_a_line(tmp_path, monkeypatch, name, why):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FileError, match=why):
        NewFile(name)


def test_a_file_takes_as_long_a_name_as_the_system_does(tmp_path):
    put(tmp_path / ("a" * 255), b"x")
    with pytest.raises(FileError, match="File name too long"):
        put(tmp_path / ("a" * 256), b"x")
    assert len(os.listdir(tmp_path)) == 1


# Captures are written so too


def test_a_capture_can_be_read_while_it_is_written_and_has_its_name_once_it_is_complete(tmp_path):
    writer = CaptureWriter(tmp_path / "a.idlehands")
    writer.add(1, b"x")
    writer.flush()
    assert os.listdir(tmp_path) == ["a.idlehands.part"]
    assert len(list(CaptureReader(tmp_path / "a.idlehands.part"))) == 1
    writer.close()
    assert os.listdir(tmp_path) == ["a.idlehands"]


@pytest.mark.usefixtures("no_umask")
@pytest.mark.parametrize("of", ["live stream", "replay"])
def test_the_capture_key_makes_a_file_of_ones_own_and_follows_no_link(tmp_path, of):
    source = Intake()
    if of == "replay":
        CaptureWriter(tmp_path / "old.idlehands").close()
        source = ReplaySource(str(tmp_path / "old.idlehands"))
    (tmp_path / "link.idlehands").symlink_to(tmp_path / "letter")
    (tmp_path / "there.idlehands").touch(mode=0o666)
    for name in ("link.idlehands", "there.idlehands"):
        with pytest.raises(CaptureError, match="was not changed"):
            source.start_capture(str(tmp_path / name))
    assert not (tmp_path / "letter").exists()
    assert (tmp_path / "there.idlehands").stat().st_size == 0
    source.start_capture(str(tmp_path / "new.idlehands"))
    source.stop_capture()
    assert mode(tmp_path / "new.idlehands") == 0o600
    assert list(CaptureReader(tmp_path / "new.idlehands")) == []


@as_root
def test_a_user_without_the_right_to_write_is_told_so(tmp_path):
    program = (
        "import os, sys\n"
        "from idlehands_monitor.ingest.files import FileError, NewFile\n"
        "os.chdir(sys.argv[1])\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try:\n"
        "    NewFile('a.html')\n"
        "except FileError as error:\n"
        "    print(error)\n"
    )
    tmp_path.chmod(0o755)
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout == "a.html: Permission denied\n"
