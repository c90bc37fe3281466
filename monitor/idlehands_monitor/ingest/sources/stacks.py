"""Stacks of a running process, by py-spy, on demand and without stopping the process.

`py-spy dump --json --nonblocking` takes some ten milliseconds and does not pause the target. The
price: a stack that changes while it is read may be torn.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import shutil
import sys
import sysconfig
from typing import Any

ENVIRONMENT = "IDLEHANDS_PYSPY"
TRIES = 6
"""One read in seventeen of a busy pool is torn (measured, 2101 reads)."""
TIMEOUT_SECONDS = 10.0
NICENESS = 10


class StackError(Exception):
    """A stack cannot be read; the message says in one line why, and what would help."""


class NotPython(StackError):
    """The process is not a Python process that py-spy knows, or not yet."""


class Gone(StackError):
    """The process has ended."""


class Torn(StackError):
    """The stacks changed while they were read; another try may succeed."""


PySpyThread = dict[str, Any]
"""A thread as py-spy describes it: thread_id, thread_name, os_thread_id, owns_gil, frames, …"""


def py_spy_path() -> str | None:
    """Return the path of the py-spy program, None when it is not installed.

    The environment's own comes before one on PATH: the environment need not be activated.
    """
    named = os.environ.get(ENVIRONMENT)
    if named:
        return named
    for folder in (sysconfig.get_path("scripts"), os.path.dirname(sys.executable)):
        path = os.path.join(folder, "py-spy")
        if os.access(path, os.X_OK):
            return path
    return shutil.which("py-spy")


async def dump(pid: int, *, gives_way: bool = False) -> list[PySpyThread]:
    """Return py-spy's list of threads of `pid`, the newest first. Raises StackError.

    gives_way: whether the job is to have the core first where both want it (niceness 10).
    """
    program = py_spy_path()
    if program is None:
        raise StackError("py-spy is not installed; run: python -m pip install 'idlehands[monitor]'")
    try:
        process = await asyncio.create_subprocess_exec(
            program,
            "dump",
            "--pid",
            str(pid),
            "--json",
            "--nonblocking",
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
    except OSError as error:
        raise StackError(f"cannot run {program}: {error.strerror}") from error
    if gives_way:
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
    try:
        out, complaints = await asyncio.wait_for(process.communicate(), TIMEOUT_SECONDS)
    except TimeoutError as error:
        raise StackError(f"py-spy gave no answer in {TIMEOUT_SECONDS:.0f} s") from error
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await _end(process)
    if process.returncode != 0:
        raise failure(pid, complaints.decode(errors="replace"))
    try:
        threads = json.loads(out)
    except ValueError as error:
        raise StackError("py-spy's answer is not JSON") from error
    return threads if isinstance(threads, list) else []


async def _end(process: asyncio.subprocess.Process) -> None:
    """Wait until a killed process and its pipes are gone, however often this is cancelled.

    They must not outlive the loop, which would complain on the standard error.
    """
    while True:
        with contextlib.suppress(asyncio.CancelledError):
            await process.communicate()
            return


async def dump_whole(pid: int) -> list[PySpyThread]:
    """Return `dump`, read again where the process's stacks changed meanwhile. Raises StackError."""
    for _ in range(TRIES - 1):
        with contextlib.suppress(Torn):
            return await dump(pid)
    return await dump(pid)


def spent_on_children() -> float:
    """Return the CPU time, in seconds, of the processes that this one has started and reaped."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def failure(pid: int, complaints: str) -> StackError:
    """Turn py-spy's message into an error that says in one line what would help."""
    permission = StackError(
        f"reading the stack of process {pid} is not permitted: it needs the right to trace it "
        f"(CAP_SYS_PTRACE, or the same user with kernel.yama.ptrace_scope=0); "
        f"see docs/watching-production.md"
    )
    if "Permission Denied" in complaints or "Operation not permitted" in complaints:
        return permission
    if "executable name" in complaints and os.path.exists(f"/proc/{pid}"):
        return permission  # py-spy's message as root without CAP_SYS_PTRACE, as in containers
    if "executable name" in complaints:
        return Gone(f"process {pid} has ended")
    if "python version" in complaints:
        return NotPython(f"process {pid} is not a Python process that py-spy knows")
    if "Failed to get stack traces" in complaints:
        return Torn(f"the stacks of process {pid} changed while py-spy read them")
    lines = [line.strip() for line in complaints.splitlines() if line.strip()]
    return StackError(f"py-spy: {lines[0]}" if lines else "py-spy failed without a reason")
