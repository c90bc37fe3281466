"""Which sampled threads are whose workers: threads of dumps sorted into pools by their roles."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from .roles import LOKY_POOL, PROCESS_POOL, PROCESSES, QUEUE_AND_THREADS, THREADS, role_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...ledger import Dump, ThreadSample
    from .roles import Role


class ThreadKey(NamedTuple):
    """A thread: its process and the kernel's id, or minus its identifier where that is unknown."""

    pid: int
    thread: int


class Group(NamedTuple):
    """What tells one pool from another. pid: whose the workers are, or who started theirs."""

    pid: int
    kind: str
    module: str
    label: str


class Seen(NamedTuple):
    """One worker in one dump, by the place of the dump among those held."""

    dump: int
    sample: ThreadSample
    role: Role


@dataclass(slots=True)
class Worker:
    """One worker: who it is, and each dump that it is in."""

    key: ThreadKey
    name: str = ""
    native_id: int = -1
    ident: int = -1
    seen: list[Seen] = field(default_factory=list)


def groups_of(dumps: Sequence[Dump]) -> dict[Group, list[Worker]]:
    """Sort the threads of dumps into pools; a thread's first stack that tells decides."""
    numbers = {
        (dump.pid, thread.ident): thread.native_id
        for dump in dumps
        for thread in dump.threads
        if thread.native_id >= 0 and thread.ident >= 0
    }
    workers: dict[ThreadKey, Worker] = {}
    parents: dict[int, int] = {}
    for place, dump in enumerate(dumps):
        if dump.missing:
            continue
        parents[dump.pid] = dump.parent
        for thread in dump.threads:
            native = thread.native_id
            if native < 0:
                native = numbers.get((dump.pid, thread.ident), -1)
            main = native == dump.pid or (native < 0 and thread.name == "MainThread")
            role = role_of(thread.stack, thread.name, main=main)
            if role is None:
                continue
            key = ThreadKey(dump.pid, native if native >= 0 else -thread.ident)
            worker = workers.setdefault(key, Worker(key))
            worker.name, worker.native_id, worker.ident = thread.name, native, thread.ident
            worker.seen.append(Seen(place, thread, role))
    return _by_pool(workers.values(), parents)


def _by_pool(workers: Iterable[Worker], parents: dict[int, int]) -> dict[Group, list[Worker]]:
    grouped: dict[Group, list[Worker]] = defaultdict(list)
    for worker in workers:
        role = next(
            (seen.role for seen in worker.seen if seen.role.kind != THREADS), worker.seen[-1].role
        )
        processes = role.kind in (PROCESS_POOL, LOKY_POOL, PROCESSES) and worker.native_id in (
            worker.key.pid,
            -1,
        )
        pid = parents[worker.key.pid] if processes else worker.key.pid
        grouped[Group(pid, role.kind, role.module, role.label)].append(worker)
    found: dict[Group, list[Worker]] = defaultdict(list)
    for group, members in grouped.items():
        pool = group
        if group.kind == THREADS:
            parked = any(seen.role.parked for worker in members for seen in worker.seen)
            pool = (
                group._replace(kind=QUEUE_AND_THREADS, module="queue")
                if parked
                else group._replace(label=THREADS)
            )
        found[pool] += members
    return found
