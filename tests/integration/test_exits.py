"""What the command writes, wherever it goes: no control character, and no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import unicodedata

import pytest

from fake_probes import FakeProbe, hello, names
from helpers import environment, idlehands
from histories import History, Task, frames
from idlehands.wire import encode
from idlehands_monitor.ingest.capture import CaptureWriter
from idlehands_monitor.views.foreign_text import safe, safe_line

SECOND = 1_000_000_000
EVIL = "a\x1b]0;b\x07\x9b31m\u202ec\u2028d"


@pytest.fixture
def evil(tmp_path):
    """A capture whose every name holds what a terminal would obey."""
    history = History(1, 3 * SECOND, [Task(0, 0, 0, 0, 2 * SECOND)])
    some = [{"frame": "hello", "version": 3, "pid": 1, "argv0": EVIL, "python": EVIL}]
    for frame in frames(history):
        if frame["frame"] == "names":
            threads = [[0, 100, 1000, EVIL]]
            frame |= {"name": EVIL, "task_kinds": [EVIL], "threads": threads, "broken": EVIL}
        some.append(frame)
    return write(tmp_path / "evil.idlehands", some)


@pytest.fixture
def evil_sampled(tmp_path):
    """The same of a process without a probe, its reasons of waits included."""
    some = [{"frame": "hello", "version": 3, "pid": 1, "argv0": EVIL, "sampled": True}]
    for at in range(4):
        thread = {
            **{"pid": 1, "native_id": 100, "ident": 5, "name": EVIL, "wait": EVIL},
            "frames": [[EVIL, EVIL, 3], ["Thread.run", "threading.py", 1]],
        }
        some += [
            {
                "frame": "host",
                "at_ns": at * SECOND,
                "threads": {100: [at, 0]},
                "waits": {100: EVIL},
            },
            {
                "frame": "stacks",
                "at_ns": at * SECOND,
                "pid": 1,
                "missing": EVIL,
                "threads": [thread],
            },
        ]
    return write(tmp_path / "sampled.idlehands", some)


def write(path, some):
    writer = CaptureWriter(path)
    writer.add(3 * SECOND, b"".join(map(encode, some)))
    writer.close()
    return path


def controls(text):
    return {
        letter
        for letter in text
        if letter != "\n" and unicodedata.category(letter) in ("Cc", "Cf", "Zl", "Zp")
    }


@pytest.mark.parametrize("which", ["evil", "evil_sampled"])
@pytest.mark.parametrize(
    "arguments",
    [
        ["explain"],
        ["explain", "--json"],
        ["explain", "--markdown"],
        ["watch", "--no-screen", "--speed", "1000"],
    ],
    ids=["explain", "json", "markdown", "lines"],
)
def test_no_control_character_is_written(which, arguments, request, tmp_path):
    done = idlehands(*arguments, request.getfixturevalue(which), folder=tmp_path / "sockets")
    assert done.returncode == 0
    assert len(done.stdout) > 40
    assert not controls(done.stdout + done.stderr)


def test_json_gives_foreign_text_back_as_it_was(evil, tmp_path):
    done = idlehands("explain", "--json", evil, folder=tmp_path / "sockets")
    assert json.loads(done.stdout)["pools"][0]["name"] == EVIL
    assert done.stdout.isascii()


@pytest.mark.parametrize("which", ["evil", "evil_sampled"])
def test_no_control_character_is_in_the_page(which, request, tmp_path):
    page = tmp_path / "a.html"
    file = request.getfixturevalue(which)
    done = idlehands("explain", "--html", page, file, folder=tmp_path / "sockets")
    assert done.returncode == 0
    assert not controls(page.read_text(encoding="utf-8"))


def test_a_pool_is_found_by_the_file_that_makes_it(tmp_path):
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    pid = os.getpid()
    sends = hello(pid) + names("kiln.py:30") + encode({"frame": "bye", "reason": "exit"})
    probe = FakeProbe(folder / f"{pid}.sock", lambda connection: connection.sendall(sends))
    try:
        done = idlehands("explain", "kiln.py", "--for", "1s", folder=folder)
    finally:
        probe._listener.close()
    assert "no pool named" not in done.stderr


@pytest.mark.parametrize("command", ["watch", "explain", "capture"])
def test_names_in_the_message_that_no_pool_was_found_are_made_safe(command, tmp_path):
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    pid = os.getpid()
    more = ["-o", tmp_path / "a.idlehands"] if command == "capture" else []
    probe = FakeProbe(
        folder / f"{pid}.sock", lambda connection: connection.sendall(hello(pid) + names(EVIL))
    )
    try:
        done = idlehands(command, "nosuch", *more, folder=folder)
    finally:
        probe._listener.close()
    assert done.returncode == 3
    assert "no pool named 'nosuch' is running" in done.stderr
    assert not controls(done.stdout + done.stderr)


@pytest.mark.parametrize(
    "arguments",
    [
        ["explain"],
        ["explain", "--json"],
        ["explain", "--markdown"],
        ["watch", "--no-screen", "--speed", "1000"],
    ],
    ids=["explain", "json", "markdown", "lines"],
)
def test_an_output_that_takes_only_ascii_is_written_to_all_the_same(arguments, evil, tmp_path):
    done = idlehands(*arguments, evil, folder=tmp_path / "sockets", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert not done.stderr
    assert done.stdout.isascii()
    assert len(done.stdout) > 40


@pytest.mark.parametrize(
    ("arguments", "closed"),
    [
        (["explain"], ">&-"),
        (["explain", "--json"], ">&-"),
        (["--help"], ">&-"),
        (["explain"], ">/dev/full"),
        (["explain", "--json"], ">/dev/full"),
    ],
)
def test_an_output_that_cannot_be_written_to_is_one_line(arguments, closed, evil, tmp_path):
    arguments = [*arguments, str(evil)] if arguments[0] == "explain" else arguments
    done = subprocess.run(
        ["/bin/sh", "-c", f'"$@" {closed}', "sh", sys.executable, "-m", "idlehands", *arguments],
        env=environment(tmp_path),
        stderr=subprocess.PIPE,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("idlehands")


def test_a_page_is_written_with_all_standard_streams_closed(evil, tmp_path):
    page = tmp_path / "a.html"
    command = [sys.executable, "-m", "idlehands", "explain", "--html", str(page), str(evil)]
    done = subprocess.run(
        ["/bin/sh", "-c", '"$@" <&- >&- 2>&-', "sh", *command],
        env=environment(tmp_path),
        timeout=60,
        check=False,
    )
    assert done.returncode == 0
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_safe_text_is_of_the_same_length_and_keeps_what_can_be_seen():
    assert safe("kind é 名前\u00a0x\n") == "kind é 名前\u00a0x\n"
    assert safe(EVIL) == "a�]0;b��31m�c�d"
    assert safe_line("a\nb") == "a�b"
