"""What a thread that is off the core waits for, read from the kernel without stopping it.

Linux: `/proc/PID/task/TID/syscall` (proc(5)) has the number and the arguments of the system call in
which a thread sleeps, or "running". Reading it needs the right to trace the process. Threads that
wait for CPython's interpreter lock sleep in futex(2) on a condition variable that is a static
variable of the interpreter, in its executable or its libpython (CPython, Python/ceval_gil.h,
3.9 to 3.15); all other locks are on the heap or a stack. So the address distinguishes them.
"""

from __future__ import annotations

import os
import platform
from typing import TYPE_CHECKING, NamedTuple

from ...model.vocabulary import RUNNING, WaitReason
from . import host
from .kernel_files import read

if TYPE_CHECKING:
    from collections.abc import Iterable

Ranges = tuple[tuple[int, int], ...]


class _Calls(NamedTuple):
    """Numbers of system calls of one architecture (Linux, arch/*/…/syscall*.tbl)."""

    futex: int
    sleep: frozenset[int]
    select: frozenset[int]
    poll: frozenset[int]
    child: frozenset[int]
    input_output: frozenset[int]


_CALLS = {
    "x86_64": _Calls(
        futex=202,
        sleep=frozenset({35, 230}),
        select=frozenset({23, 270}),
        poll=frozenset({7, 271}),
        child=frozenset({61, 247}),
        # read to writev, sendfile, sockets, file locks and syncs, directories, opening, epoll
        input_output=frozenset(
            {*range(3), *range(17, 21), 40, *range(42, 48), 72, *range(73, 76), 217, 232, 257}
            | {275, 277, 281, 288, 295, 296, 299, 307, 426, 441}
        ),
    ),
    "aarch64": _Calls(
        futex=98,
        sleep=frozenset({101, 115}),
        select=frozenset({72}),
        poll=frozenset({73}),
        child=frozenset({95, 260}),
        input_output=frozenset(
            {22, 25, 32, 56, 61, *range(63, 72), *range(76, 78), *range(81, 85)}
            | {202, 203, 206, 207, 211, 212, 242, 243, 269, 426, 441}
        ),
    ),
}


class KernelWaits:
    """Reads what threads wait for; caches where the interpreter's data are in each process."""

    def __init__(self) -> None:
        self._calls = _CALLS.get(platform.machine())
        self._statics: dict[int, tuple[float, Ranges | None]] = {}  # (process began, data)

    def sample(self, threads: Iterable[tuple[int, int]]) -> dict[int, str]:
        """Return what each thread, (pid, kernel thread id), waits for now.

        Ended threads, and all threads of a process that may not be read, are left out.
        """
        found = {native_id: self.of(pid, native_id) for pid, native_id in threads}
        return {native_id: wait for native_id, wait in found.items() if wait is not None}

    def of(self, pid: int, native_id: int) -> str | None:
        """Return what a thread waits for now, None where it has ended or may not be read."""
        statics = self._statics_of(pid) if self._calls is not None else None
        if statics is None or self._calls is None:
            return None
        try:
            line = read(f"/proc/{pid}/task/{native_id}/syscall").decode("ascii", "replace")
        except PermissionError:
            self._statics[pid] = self._statics[pid][0], None
            return None
        except OSError:
            return None
        return wait_of(line, statics, self._calls)

    def keep_only(self, pids: Iterable[int]) -> None:
        """Forget processes that are not in `pids`, and those whose id another process now has."""
        self._statics = {
            pid: self._statics[pid]
            for pid in set(pids) & self._statics.keys()
            if self._statics[pid][0] == host.beginning(pid)
        }

    def _statics_of(self, pid: int) -> Ranges | None:
        if pid not in self._statics:
            began = host.beginning(pid)
            try:
                with open(f"/proc/{pid}/maps", encoding="utf-8", errors="replace") as file:
                    text = file.read()
                self._statics[pid] = began, statics_of(text, os.readlink(f"/proc/{pid}/exe"))
            except OSError:
                self._statics[pid] = began, None
        return self._statics[pid][1]


def statics_of(maps: str, executable: str) -> Ranges:
    """Return where the interpreter's static variables are, from the text of `/proc/PID/maps`.

    They are in the writable mappings of the executable and of libpython, and in the unnamed mapping
    right behind each (the variables that begin as zero).
    """
    ranges: list[tuple[int, int]] = []
    end = 0
    for line in maps.splitlines():
        fields = line.split(maxsplit=5)
        if len(fields) < 5:
            continue
        low, high = (int(part, 16) for part in fields[0].split("-"))
        path = fields[5] if len(fields) > 5 else ""
        is_python = path == executable or os.path.basename(path).startswith("libpython")
        if "w" in fields[1] and (is_python or (not path and low == end)):
            ranges.append((low, high))
            end = high
        elif is_python:
            end = high
    return tuple(ranges)


def wait_of(line: str, statics: Ranges, calls: _Calls) -> str:
    """Return what a thread waits for, from the line of its `/proc/PID/task/TID/syscall`."""
    fields = line.split()
    if not fields or fields[0] == RUNNING:
        return RUNNING
    try:
        call, arguments = int(fields[0]), [int(field, 16) for field in fields[1:7]]
    except ValueError:
        return WaitReason.OTHER
    if call == calls.futex and arguments:
        is_static = any(low <= arguments[0] < high for low, high in statics)
        return WaitReason.INTERPRETER_LOCK if is_static else WaitReason.LOCK
    if call in calls.sleep:
        return WaitReason.SLEEP
    if call in calls.select:  # some versions of Python sleep by a select without files
        return WaitReason.INPUT_OUTPUT if arguments and arguments[0] else WaitReason.SLEEP
    if call in calls.poll:
        return WaitReason.INPUT_OUTPUT if len(arguments) > 1 and arguments[1] else WaitReason.SLEEP
    if call in calls.child:
        return WaitReason.CHILD_PROCESS
    if call in calls.input_output or call == -1:  # -1: in no call; a page is being read
        return WaitReason.INPUT_OUTPUT
    return WaitReason.OTHER


__all__ = ["KernelWaits"]
