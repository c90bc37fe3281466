"""One small job run as Python runs it, under the probe, or under the probe with a reader attached.

A job is a script of `plain_jobs`, or a folder there that is a package, run by its name, or one
that has a `tool.py`, which is run as a module. Its docstring is a sentence
that says what it tries; what it needs stands in a comment block of TOML, see `Settings`. Each run
gets a fresh folder, the same path for all runs of a job, so that what is printed of it is the same.
Touches: processes, sockets, the temporary folder, /proc.
"""

from __future__ import annotations

import ast
import contextlib
import os
import re
import selectors
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
import uuid
from dataclasses import dataclass, field
from pathlib import Path

from cpython_tests import copy_msgpack

from idlehands.wire import SUFFIX, Decoder, address

ROOT = Path(__file__).resolve().parent.parent
JOBS = Path(__file__).resolve().parent / "plain_jobs"
PLAIN, PROBED, WATCHED = "plain", "probed", "watched"
WAYS = (PLAIN, PROBED, WATCHED)
MARK = "PLAIN_AGAINST_PROBED"
"""In the environment of all processes of a run: by it those left behind are found."""
PLAIN_SECONDS = 40.0
"""The longest that a job may take without the probe."""
SLOWER_TIMES, SLOWER_SECONDS = 3.0, 5.0
"""A probed run that takes more than so many times the plain one and so many seconds differs."""
SETTLE_SECONDS = 2.0
"""The longest that processes of a run may outlive it: helpers of multiprocessing end by themselves."""
HUNG = "hung"
BLOCK = re.compile(r"^# /// job\n((?:#.*\n)*?)# ///$", re.MULTILINE)
BORROWED = ("joblib", "loky", "cloudpickle")
UNSTEADY = (
    (re.compile(rb"0x[0-9a-f]{6,}"), b"0x(address)"),
    (re.compile(rb"pid[= ]\d+"), b"pid=(number)"),
)
"""What two plain runs differ in as well: addresses of objects and process ids."""


@dataclass(frozen=True)
class Settings:
    """What the comment block of a job says: ``# /// job``, lines of TOML each after ``# ``, ``# ///``."""

    options: tuple[str, ...] = ()
    """Options of the interpreter."""
    arguments: tuple[str, ...] = ()
    rounds: tuple[str, ...] = ()
    """One run for each, which is its last argument."""
    environment: dict[str, str] = field(default_factory=dict)
    shell: str = ""
    """A line of bash that runs the job as "$@", for limits and closed or fed descriptors."""
    refused: bool = False
    """The folder for sockets is one that the probe refuses."""
    root: bool = False
    since: str = "3.9"
    needs: tuple[str, ...] = ()
    """Packages that it imports."""


@dataclass(frozen=True)
class Job:
    """A job: its name, the sentence that says what it tries, and how it is run."""

    name: str
    sentence: str
    path: Path
    settings: Settings

    def why_not(self, python: Python) -> str:
        """Return why it cannot run under `python`, empty when it can."""
        since = tuple(map(int, self.settings.since.split(".")))
        if python.version < since:
            return f"needs Python {self.settings.since}"
        missing = [name for name in self.settings.needs if name not in python.packages]
        if missing:
            return f"needs {', '.join(missing)}"
        return "needs root" if self.settings.root and os.geteuid() != 0 else ""


def all_jobs() -> list[Job]:
    """Return the jobs that there are, by name."""
    paths = [path for path in JOBS.glob("*/*") if path.suffix == ".py" or path.is_dir()]
    return [_job(path) for path in sorted(paths) if path.name != "__pycache__"]


def _job(path: Path) -> Job:
    text = _main_of(path).read_text()
    sentence = ast.get_docstring(ast.parse(text)) or ""
    block = BLOCK.search(text)
    given = tomllib.loads(re.sub(r"^# ?", "", block[1], flags=re.MULTILINE)) if block else {}
    ready = {name: tuple(value) if isinstance(value, list) else value for name, value in given.items()}
    return Job(f"{path.parent.name}/{path.stem}", sentence, path, Settings(**ready))


def _main_of(path: Path) -> Path:
    if not path.is_dir():
        return path
    return path / ("tool.py" if (path / "tool.py").exists() else "__main__.py")


@dataclass(frozen=True)
class Python:
    """An interpreter that has the probe installed, in an environment of its own."""

    version: tuple[int, ...]
    executable: str
    packages: tuple[str, ...]

    @property
    def name(self) -> str:
        """Its version as people say it."""
        return ".".join(map(str, self.version))


def prepare(interpreter: str, room: Path) -> Python:
    """Make an environment in `room` that has the probe. Raises CalledProcessError where it fails."""
    _ask(interpreter, "-m", "venv", "--without-pip", str(room))
    executable = str(room / "bin" / "python")
    paths = "import sys, sysconfig as s; print(s.get_path('purelib'), *sys.version_info[:2], sep='\\n')"
    site, *version = _ask(executable, "-c", paths).split()
    libraries = room / "libraries"
    libraries.mkdir()
    copy_msgpack(_package_of(sys.executable, "msgpack"), libraries)
    for name in BORROWED:
        for owner in (interpreter, sys.executable):
            with contextlib.suppress(subprocess.CalledProcessError):
                (libraries / name).symlink_to(_package_of(owner, name))
                break
    (Path(site) / "probed.pth").write_text(f"{ROOT / 'probes'}\n{libraries}\n")
    packages = tuple(name for name in BORROWED if _can_import(executable, name))
    return Python(tuple(map(int, version)), executable, packages)


def _ask(*command: str) -> str:
    ran = subprocess.run(command, check=True, capture_output=True, text=True, stdin=subprocess.DEVNULL)
    return ran.stdout


def _package_of(interpreter: str, name: str) -> Path:
    return Path(_ask(interpreter, "-c", f"import {name}; print({name}.__file__)").strip()).parent


def _can_import(interpreter: str, name: str) -> bool:
    with contextlib.suppress(subprocess.CalledProcessError):
        _ask(interpreter, "-c", f"import {name}")
        return True
    return False


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
            command += ["-m", "job.tool" if _main_of(self._job.path).stem == "tool" else "job"]
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


class Reading:
    """A reader that attaches to every process of a run as soon as its socket is there."""

    LOOK_SECONDS = 0.003

    def __init__(self, folder: Path) -> None:
        self.attached = self.rows = 0
        self._folder = folder
        self._known: set[str] = set()
        self._ending = False
        self._thread = threading.Thread(target=self._go, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Read to the end what is there; the run is over."""
        self._ending = True
        self._thread.join()

    def _go(self) -> None:
        with selectors.DefaultSelector() as selector:
            while not self._ending:
                self._attach(selector)
                self._read(selector, self.LOOK_SECONDS)
            while selector.get_map() and self._read(selector, 0):
                pass
            for key in list(selector.get_map().values()):
                key.fileobj.close()  # type: ignore[union-attr]

    def _attach(self, selector: selectors.BaseSelector) -> None:
        with contextlib.suppress(OSError):
            for name in set(os.listdir(self._folder)) - self._known:
                if name.endswith(SUFFIX):
                    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
                    try:
                        with address(str(self._folder / name)) as short:
                            connection.connect(short)
                    except OSError:  # bound and not yet listening, or gone again
                        connection.close()
                        continue
                    self._known.add(name)
                    self.attached += 1
                    selector.register(connection, selectors.EVENT_READ, Decoder())

    def _read(self, selector: selectors.BaseSelector, seconds: float) -> int:
        if not selector.get_map():
            time.sleep(seconds)
            return 0
        ready = selector.select(seconds)
        for key, _ in ready:
            connection = key.fileobj
            assert isinstance(connection, socket.socket)
            data = b""
            with contextlib.suppress(OSError):
                data = connection.recv(1 << 16)
            for frame in key.data.feed(data):
                if frame["frame"] == "rows" and frame["table"] == "tasks":
                    self.rows += frame["rows"]
            if not data:
                selector.unregister(connection)
                connection.close()
        return len(ready)
