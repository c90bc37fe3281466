"""`idlehands run`: run a job with its pools probed, and otherwise as Python itself would.

The job sees its own ``__main__``, ``sys.argv`` and ``sys.path``; its output, its errors and its
exit status are its own. A job that cannot be compiled is handed to Python, so that the message is
Python's.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from types import CodeType, ModuleType, TracebackType
from typing import Any, Callable

USAGE = """\
usage: idlehands run [OPTIONS] JOB.py [ARGUMENTS...]
       idlehands run [OPTIONS] -m MODULE [ARGUMENTS...]

Run a Python job with its worker pools probed; watch it with: idlehands watch

options:
  --capture FILE  record the whole job in FILE, from its first task on
  --max SIZE      keep the newest of it, at most so much (512MB); of the rest, totals
  --force         replace FILE where it is a regular file of yours
  --no-stacks     take no stacks of its threads: then no finding names a line
"""
USAGE_STATUS = 2
WITH_VALUE, WITHOUT = ("--capture", "--max"), ("--force", "--no-stacks")


class _Usage(Exception):
    """The command line makes no sense; the message says why."""


class _NoRecorder(Exception):
    """The job cannot be recorded; the message says why."""


def run(arguments: Sequence[str]) -> int:
    """Run the job that the arguments name; return its exit status."""
    try:
        recorder, arguments = _recorder_options(arguments)
        _prepare(recorder)
    except _Usage as error:
        sys.stderr.write(f"idlehands run: {error}\n{USAGE}")
        return USAGE_STATUS
    except _NoRecorder as error:
        sys.stderr.write(f"idlehands run: {error}\n")
        return USAGE_STATUS
    if not arguments or arguments[0] in ("-h", "--help"):
        (sys.stdout if arguments else sys.stderr).write(USAGE)
        return 0 if arguments else USAGE_STATUS
    if arguments[0] == "-m":
        if len(arguments) < 2:
            sys.stderr.write("idlehands run: -m needs the name of a module\n" + USAGE)
            return USAGE_STATUS
        return _run_module(arguments[1], arguments[2:])
    if arguments[0].startswith("-") and arguments[0] != "-":
        sys.stderr.write(f"idlehands run: no option {arguments[0]}\n" + USAGE)
        return USAGE_STATUS
    return _run_script(arguments[0], arguments[1:])


def _recorder_options(arguments: Sequence[str]) -> tuple[list[str], Sequence[str]]:
    """Return the command line of the recorder, empty for none, and the rest. Raises _Usage."""
    found: dict[str, list[str]] = {}
    place = 0
    while place < len(arguments):
        name, equals, value = arguments[place].partition("=")
        if name in WITHOUT and not equals:
            found[name] = [name]
        elif name in WITH_VALUE:
            if not equals:
                place += 1
                value = arguments[place] if place < len(arguments) else ""
            if not value:
                raise _Usage(f"{name} needs a value")
            found[name] = [f"{name}={value}"]
        else:
            break
        place += 1
    if found and "--capture" not in found:
        raise _Usage(f"{next(iter(found))} needs --capture")
    if found and place == len(arguments):
        raise _Usage("no job")
    return [word for words in found.values() for word in words], arguments[place:]


def _prepare(recorder: Sequence[str]) -> None:
    """Import what the probe needs before a module of the job's can be found in its place.

    Starts a recorder with these options, if there are any. Raises _NoRecorder.
    """
    from ._process import prepare

    first = sys.path.pop(0) if sys.path else ""
    try:
        if recorder:
            from ._start_recorder import start_recorder

            if refused := start_recorder(recorder):
                raise _NoRecorder(refused)
        prepare()
    finally:
        sys.path.insert(0, first)


def _run_script(path: str, arguments: Sequence[str]) -> int:
    if os.path.isdir(path) or _is_archive(path):
        _set_path(os.path.abspath(path))
        return _as_main(path, arguments, lambda: _run_main_of("__main__", alter_argv=False))
    code = _compiled(path)
    if code is None:
        # Missing, or no Python: Python reports that itself, and ends with its own status.
        sys.stdout.flush()
        os.execv(sys.executable, [*_interpreter(), path, *arguments])  # noqa: S606
    _set_path(os.path.dirname(os.path.realpath(path)))
    return _as_main(path, arguments, lambda: _execute(code, os.path.abspath(path)))


def _run_module(name: str, arguments: Sequence[str]) -> int:
    _set_path(os.getcwd())
    return _as_main("-m", arguments, lambda: _run_main_of(name, alter_argv=True))


def _interpreter() -> list[str]:
    import subprocess

    flags: list[str] = getattr(subprocess, "_args_from_interpreter_flags", list)()
    return [sys.executable, *flags]


def _is_archive(path: str) -> bool:
    if not os.path.isfile(path):
        return False
    import zipfile

    return zipfile.is_zipfile(path)


def _compiled(path: str) -> CodeType | None:
    import io

    try:
        full = os.path.abspath(path)
        with io.open_code(full) as file:
            code: CodeType = compile(file.read(), full, "exec", dont_inherit=True)
            return code
    except (OSError, SyntaxError, ValueError, RecursionError, MemoryError, OverflowError):
        return None


def _set_path(first: str) -> None:
    """Put `first` where Python had put the folder of our own command."""
    if not getattr(sys.flags, "safe_path", False):
        sys.path[0:1] = [first]


def _execute(code: CodeType, path: str) -> None:
    from importlib.machinery import SourceFileLoader

    names = sys.modules["__main__"].__dict__
    names["__file__"] = path
    if sys.version_info < (3, 15):
        names["__cached__"] = None
    names["__loader__"] = SourceFileLoader("__main__", path)
    exec(code, names)  # noqa: S102 - the job, which the person asked to be run


def _run_main_of(name: str, *, alter_argv: bool) -> None:
    import runpy

    runpy._run_module_as_main(name, alter_argv)  # type: ignore[attr-defined]


def _as_main(argv0: str, arguments: Sequence[str], job: Callable[[], None]) -> int:
    """Run `job` in a fresh ``__main__`` with its own arguments; end as Python would."""
    from .adapters import install

    main = ModuleType("__main__")
    main.__dict__["__builtins__"] = sys.modules["builtins"]
    if sys.version_info < (3, 14):  # later Pythons make it when it is asked for (PEP 649)
        vars(main).update(__annotations__={})
    sys.modules["__main__"] = main
    # No other reference: before Python 3.13 an exception that the job keeps, as a broken executor
    # does, keeps this frame, and the job's names would end after the modules that they use.
    del main
    sys.argv[:] = [argv0, *arguments]
    install()
    try:
        job()
    except SystemExit:
        raise
    except BaseException as error:
        _report(error)
        if isinstance(error, KeyboardInterrupt):
            _end_interrupted()
        return 1
    return 0


def _report(error: BaseException) -> None:
    """Pass an exception that the job did not catch to `sys.excepthook`, without the probe's
    frames."""
    trace = error.__traceback__
    while trace is not None and _is_ours(trace):
        trace = trace.tb_next
    error.__traceback__ = trace
    sys.last_type, sys.last_value, sys.last_traceback = type(error), error, trace
    if sys.version_info >= (3, 12):
        sys.last_exc = error
    sys.excepthook(type(error), error, trace)


def _is_ours(trace: TracebackType) -> bool:
    return trace.tb_frame.f_code.co_filename == __file__


def _end_interrupted() -> None:
    """End by SIGINT, as Python does when nothing catches ctrl+c, after the usual endings."""
    import atexit
    import threading

    with contextlib.suppress(BaseException):
        shutdown: Any = threading._shutdown  # type: ignore[attr-defined]
        shutdown()
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    os.kill(os.getpid(), signal.SIGINT)
