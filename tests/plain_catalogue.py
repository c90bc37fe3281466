"""The jobs that are run plain and probed, and the interpreters that run them.

A job is a script of `plain_jobs`, or a folder there that is a package, run by its name, or one that
has a `tool.py`, which is run as a module. Its docstring is a sentence that says what it tries; its
needs are in a comment block of TOML, see `Settings`.
"""

from __future__ import annotations

import ast
import contextlib
import os
import re
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import tomllib

from cpython_tests import copy_msgpack

ROOT = Path(__file__).resolve().parent.parent
JOBS = Path(__file__).resolve().parent / "plain_jobs"
BLOCK = re.compile(r"^# /// job\n((?:#.*\n)*?)# ///$", re.MULTILINE)
BORROWED = ("joblib", "loky", "cloudpickle")


@dataclass(frozen=True)
class Settings:
    """What the comment block of a job says, from ``# /// job`` to ``# ///``: TOML after ``# ``."""

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
    text = main_of(path).read_text()
    sentence = " ".join((ast.get_docstring(ast.parse(text)) or "").split())
    block = BLOCK.search(text)
    given = tomllib.loads(re.sub(r"^# ?", "", block[1], flags=re.MULTILINE)) if block else {}
    ready = {
        name: tuple(value) if isinstance(value, list) else value for name, value in given.items()
    }
    return Job(f"{path.parent.name}/{path.stem}", sentence, path, Settings(**ready))


def main_of(path: Path) -> Path:
    """Return the file of a job that says what it is, and is run."""
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
    """Make an environment with the probe in `room`. Raises CalledProcessError where that fails."""
    _ask(interpreter, "-m", "venv", "--without-pip", str(room))
    executable = str(room / "bin" / "python")
    paths = (
        "import sys, sysconfig as s; print(s.get_path('purelib'), *sys.version_info[:2], sep='\\n')"
    )
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
    ran = subprocess.run(
        command, check=True, capture_output=True, text=True, stdin=subprocess.DEVNULL
    )
    return ran.stdout


def _package_of(interpreter: str, name: str) -> Path:
    return Path(_ask(interpreter, "-c", f"import {name}; print({name}.__file__)").strip()).parent


def _can_import(interpreter: str, name: str) -> bool:
    with contextlib.suppress(subprocess.CalledProcessError):
        _ask(interpreter, "-c", f"import {name}")
        return True
    return False
