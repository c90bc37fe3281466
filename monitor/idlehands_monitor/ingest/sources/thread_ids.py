"""Which kernel thread is which Python thread, for a process without a probe.

py-spy names a thread by its pthread identifier (what `threading.get_ident` returns) and, from
Python 3.11 on, by the kernel's id as the process itself sees it. In another process-id namespace
the process sees other ids than the monitor; the kernel has both, in the line NSpid of
`/proc/PID/task/TID/status` (proc(5)). Before 3.11 the stack decides: a pthread identifier is the
address of its thread's descriptor, which the C library keeps at the top of the thread's stack. So
it belongs to the sleeping thread whose stack pointer (`/proc/PID/task/TID/syscall`) is in the same
mapping (`/proc/PID/maps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import host

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from .stacks import PySpyThread

UNKNOWN = -1


class ThreadIds:
    """Joins the threads of dumps with the kernel's; caches what was found by a stack."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[float, dict[int, int]]] = {}  # (when the process began, ids)

    def of(self, pid: int, threads: Sequence[PySpyThread]) -> dict[int, int]:
        """Return the kernel's id in this namespace for each identifier in a dump of `pid`.

        Threads whose id cannot be found are left out.
        """
        kernel = host.thread_ids(pid)
        idents = [_integer(thread.get("thread_id")) for thread in threads]
        own = [_integer(thread.get("os_thread_id")) for thread in threads]
        if any(number != UNKNOWN for number in own):
            outer = {_innermost(pid, native): native for native in kernel}
            return {
                ident: outer[number]
                for ident, number in zip(idents, own, strict=True)
                if number in outer
            }
        began = host.beginning(pid)
        before, cached = self._known.get(pid, (began, {}))
        known = {
            ident: native
            for ident, native in cached.items()
            if before == began and native in kernel and ident in idents
        }
        if len(known) < len(idents):
            known |= _from_stacks(pid, [n for n in kernel if n not in known.values()], idents)
        self._known[pid] = began, known
        return known | in_order(
            pid,
            [ident for ident in reversed(idents) if ident not in known],
            [native for native in kernel if native not in known.values()],
        )

    def forget_all_but(self, pids: Iterable[int]) -> None:
        """Forget the processes that are not in `pids`."""
        wanted = set(pids)
        self._known = {pid: known for pid, known in self._known.items() if pid in wanted}


def _integer(value: Any) -> int:
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
        fields = _read(f"/proc/{pid}/task/{native}/syscall").split()
        if len(fields) > 2:  # otherwise it is "running"
            pointers[native] = int(fields[-2], 16)
    return by_stack(_read(f"/proc/{pid}/maps"), pointers, idents) if pointers else {}


def by_stack(maps: str, pointers: Mapping[int, int], idents: Iterable[int]) -> dict[int, int]:
    """Return {identifier: kernel id} of the threads whose stack is found by its pointer.

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
    """Return {identifier: kernel id} for threads not found by a stack, both oldest first.

    The first thread of a process has the id of the process. The kernel numbers threads as they
    start, so the rest are paired in order if both are equally many; otherwise they are left out.
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
