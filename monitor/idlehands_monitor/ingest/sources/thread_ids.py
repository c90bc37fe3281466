"""Which kernel thread is which Python thread, for a process that tells nobody.

py-spy names a thread by its pthread identifier (what `threading.get_ident` returns) and, from
Python 3.11 on, by the kernel's id as the process itself sees it. Where the process sees other ids
than we do (another process-id namespace), the kernel has both, in the line NSpid of
`/proc/PID/task/TID/status` (proc(5)). Before 3.11 the stack tells: a pthread identifier is the
address of its thread's descriptor, which the C library keeps at the top of the thread's stack, so
the thread that sleeps with its stack pointer (`/proc/PID/task/TID/syscall`) in the same mapping
(`/proc/PID/maps`) is the one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import host

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from .stacks import PySpyThread

UNKNOWN = -1


class ThreadIds:
    """Joins the threads of dumps with the kernel's; remembers what a stack has told once."""

    def __init__(self) -> None:
        self._told: dict[int, tuple[float, dict[int, int]]] = {}  # behind when it began

    def of(self, pid: int, threads: Sequence[PySpyThread]) -> dict[int, int]:
        """Return the kernel's id, as we see it, for each identifier in a dump of `pid`.

        Threads of which nothing tells are left out.
        """
        kernel = host.thread_ids(pid)
        idents = [_whole(thread.get("thread_id")) for thread in threads]
        own = [_whole(thread.get("os_thread_id")) for thread in threads]
        if any(number != UNKNOWN for number in own):
            seen = {_innermost(pid, native): native for native in kernel}
            return {
                ident: seen[number]
                for ident, number in zip(idents, own, strict=True)
                if number in seen
            }
        began = host.beginning(pid)
        before, told = self._told.get(pid, (began, {}))
        known = {
            ident: native
            for ident, native in told.items()
            if before == began and native in kernel and ident in idents
        }
        if len(known) < len(idents):
            known |= _from_stacks(pid, [n for n in kernel if n not in known.values()], idents)
        self._told[pid] = began, known
        return known | in_order(
            pid,
            [ident for ident in reversed(idents) if ident not in known],
            [native for native in kernel if native not in known.values()],
        )

    def forget_all_but(self, pids: Iterable[int]) -> None:
        """Forget the processes that are not in `pids`."""
        kept = set(pids)
        self._told = {pid: told for pid, told in self._told.items() if pid in kept}


def _whole(value: Any) -> int:
    return value if isinstance(value, int) else UNKNOWN


def _innermost(pid: int, native_id: int) -> int:
    """Return the id that a thread has in its own process-id namespace."""
    text = _read(f"/proc/{pid}/task/{native_id}/status")
    for line in text.splitlines():
        if line.startswith("NSpid:"):
            return int(line.split()[-1])
    return native_id


def _from_stacks(pid: int, native_ids: Iterable[int], idents: Iterable[int]) -> dict[int, int]:
    pointers = {}
    for native in native_ids:
        words = _read(f"/proc/{pid}/task/{native}/syscall").split()
        if len(words) > 2:  # "running" says no more than that
            pointers[native] = int(words[-2], 16)
    return by_stack(_read(f"/proc/{pid}/maps"), pointers, idents) if pointers else {}


def by_stack(maps: str, pointers: Mapping[int, int], idents: Iterable[int]) -> dict[int, int]:
    """Return {identifier: kernel id} of the threads whose stack is told by its pointer.

    maps: the text of `/proc/PID/maps`. pointers: the stack pointer by kernel id.
    """
    ranges = []
    for line in maps.splitlines():
        low, _, high = line.partition(" ")[0].partition("-")
        ranges.append((int(low, 16), int(high, 16)))
    addresses = sorted(idents)
    found: dict[int, int] = {}
    for native, pointer in pointers.items():
        top = next((high for low, high in ranges if low <= pointer < high), 0)
        above = next((address for address in addresses if pointer < address < top), None)
        if above is not None:
            found[above] = native
    return found


def in_order(pid: int, idents: Sequence[int], native_ids: Sequence[int]) -> dict[int, int]:
    """Return {identifier: kernel id} for threads that no stack told, both oldest first.

    The first thread of a process has its id. The kernel numbers threads as they start, so the
    rest pair off where there are as many of the one as of the other; else nothing is said.
    """
    left, numbers, found = list(idents), sorted(native_ids), {}
    if left and pid in numbers:
        found[left.pop(0)] = pid
        numbers.remove(pid)
    if len(left) == len(numbers):
        found.update(zip(left, numbers, strict=True))
    return found


def _read(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read()
    except OSError:
        return ""
