"""One small job run as Python runs it, under the probe, or under the probe with a reader attached.

Each run gets a fresh folder at the same path, so that jobs that print the path print the same.
Touches: processes, the temporary folder, /proc.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import time
import uuid
from dataclasses import dataclass
from pathlib import Path

from plain_catalogue import Job, Python, main_of
from plain_reading import Reading

PLAIN, PROBED, WATCHED = "plain", "probed", "watched"
WAYS = (PLAIN, PROBED, WATCHED)
MARK = "PLAIN_AGAINST_PROBED"
"""In the environment of all processes of a run: by it those left behind are found."""
PLAIN_SECONDS = 40.0
"""The longest that a job may take without the probe."""
SLOWER_TIMES, SLOWER_SECONDS = 3.0, 5.0
"""A probed run that takes more than so many times the plain one and so many seconds differs."""
SETTLE_SECONDS = 2.0
"""The longest that processes of a run may outlive it: those of multiprocessing's own do."""
HUNG = "hung"
UNSTEADY = (
    # Names of semaphores that a resource tracker lists, in no order.
    (re.compile(rb"\{'/mp-[^}]*\}"), b"{(semaphores)}"),
    (re.compile(rb"0x[0-9a-f]{6,}"), b"0x(address)"),
    (re.compile(rb"pid[= ]\d+"), b"pid=(number)"),
)
"""What two plain runs differ in as well: addresses of objects and process ids."""


@dataclass
class Ran:
    """What a run came to."""

    status: str
    stdout: bytes
    stderr: bytes
    files: dict[str, bytes]
    """What it left in its folder; folders have a name that ends in a slash, links their target."""
    left: list[str]
    """The command lines of processes that outlived it."""
    sockets: list[str]
    seconds: float
    attached: int = 0
    """How many processes of the run a reader attached to."""
    rows: int = 0
    """How many rows of tasks readers took."""


ASPECTS = ("status", "stdout", "stderr", "files", "left", "sockets")


class Bench:
    """The room in which one job is run, again and again."""

    def __init__(self, job: Job, python: Python, room: Path) -> None:
        self._job = job
        self._python = python
        self._room = room
        self._folder = room / "folder"
        self._sockets = room / "s"

    def run(self, way: str, argument: str | None, plain_seconds: float = PLAIN_SECONDS) -> Ran:
        """Run it one way; `plain_seconds` is what it took without the probe."""
        self._clear()
        mark = uuid.uuid4().hex
        longest = plain_seconds
        if way != PLAIN:
            longest = plain_seconds * SLOWER_TIMES + SLOWER_SECONDS
        out, err = self._room / "out", self._room / "err"
        reader = Reading(self._sockets) if way == WATCHED else None
        began = time.monotonic()
        with out.open("wb") as stdout, err.open("wb") as stderr:
            process = subprocess.Popen(
                self._command(way, argument),
                cwd=self._folder,
                env=self._environment(mark),
                stdin=subprocess.DEVNULL,
                stdout=stdout,
                stderr=stderr,
                start_new_session=True,
            )
        status = HUNG
        try:
            with contextlib.suppress(subprocess.TimeoutExpired):
                status = _said_of(process.wait(longest))
            seconds = time.monotonic() - began
            left = _left_behind(mark, SETTLE_SECONDS if status != HUNG else 0.0)
        finally:
            _end(mark)
            process.wait()
            if reader is not None:
                reader.end()
        return Ran(
            status,
            _steady(out.read_bytes()),
            _steady(err.read_bytes()),
            _files_in(self._folder),
            left if status != HUNG else [],
            _sockets_in(self._sockets),
            seconds,
            reader.attached if reader is not None else 0,
            reader.rows if reader is not None else 0,
        )

    def _clear(self) -> None:
        for folder in (self._folder, self._sockets):
            if folder.exists():
                shutil.rmtree(folder)
            folder.mkdir()
        os.chmod(self._sockets, 0o777 if self._job.settings.refused else 0o700)
        if self._job.path.is_dir():
            shutil.copytree(self._job.path, self._folder / "job")
            shutil.rmtree(self._folder / "job" / "__pycache__", ignore_errors=True)
        else:
            shutil.copyfile(self._job.path, self._folder / "job.py")

    def _command(self, way: str, argument: str | None) -> list[str]:
        settings = self._job.settings
        command = [self._python.executable, *settings.options]
        if way != PLAIN:
            command += ["-m", "idlehands", "run"]
        if self._job.path.is_dir():
            command += ["-m", "job.tool" if main_of(self._job.path).stem == "tool" else "job"]
        else:
            command.append("job.py")
        command += settings.arguments
        if argument is not None:
            command.append(argument)
        return ["bash", "-c", settings.shell, "bash", *command] if settings.shell else command

    def _environment(self, mark: str) -> dict[str, str]:
        kept = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("PYTHON", "IDLEHANDS", "VIRTUAL_ENV", "PYTEST"))
        }
        ours = {"IDLEHANDS_DIR": str(self._sockets), "PYTHONDONTWRITEBYTECODE": "1", MARK: mark}
        return {**kept, **ours, **self._job.settings.environment}


def _said_of(returned: int) -> str:
    return str(returned) if returned >= 0 else signal.Signals(-returned).name


def _steady(text: bytes) -> bytes:
    for pattern, instead in UNSTEADY:
        text = pattern.sub(instead, text)
    return text


def _sockets_in(folder: Path) -> list[str]:
    names = (re.sub(r"-[0-9a-f]{8,}", "-(random)", name) for name in os.listdir(folder))
    return sorted(re.sub(r"\d+", "(pid)", name) for name in names)


def _files_in(folder: Path) -> dict[str, bytes]:
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if path.is_symlink():
            found[name] = os.fsencode(os.readlink(path))
        elif path.is_dir():
            found[name + "/"] = b""
        else:
            found[name] = _steady(path.read_bytes()) if path.is_file() else b"special"
    return found


def _processes_of(mark: str) -> dict[int, str]:
    """Return the command lines, by process id, of the processes that have `mark`."""
    wanted = f"{MARK}={mark}".encode()
    found = {}
    for pid in filter(str.isdigit, os.listdir("/proc")):
        with contextlib.suppress(OSError):
            if wanted in Path(f"/proc/{pid}/environ").read_bytes().split(b"\0"):
                line = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ")
                found[int(pid)] = re.sub(r"\d+", "(number)", line.decode(errors="replace"))
    return found


def _left_behind(mark: str, seconds: float) -> list[str]:
    deadline = time.monotonic() + seconds
    while (found := _processes_of(mark)) and time.monotonic() < deadline:
        time.sleep(0.05)
    return sorted(found.values())


def _end(mark: str) -> None:
    """Kill what is left of a run: by its mark, so nothing else is hit."""
    while found := _processes_of(mark):
        for pid in found:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.01)
