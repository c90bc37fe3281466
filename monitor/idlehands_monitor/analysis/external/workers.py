"""Sorts the threads of dumps into pools by their roles. Pure."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from ...model.vocabulary import PoolKind
from .roles import PROCESSES, THREADS, role_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ...ledger import Dump, ThreadSample
    from .roles import Role

OF_PROCESSES = (PoolKind.PROCESS_POOL, PoolKind.LOKY_POOL, PROCESSES)


class ThreadKey(NamedTuple):
    """A thread: its process and the kernel's id, or where that is unknown minus its identifier."""

    pid: int
    thread: int


class Group(NamedTuple):
    """What distinguishes pools. pid: the process of the threads, or the parent of the processes."""

    pid: int
    kind: str
    module: str
    label: str


class Appearance(NamedTuple):
    """One worker in one dump; dump: the place of the dump among those held."""

    dump: int
    sample: ThreadSample
    role: Role


@dataclass(slots=True)
class Worker:
    """One worker, and each dump that it is in."""

    key: ThreadKey
    name: str = ""
    native_id: int = -1
    ident: int = -1
    appearances: list[Appearance] = field(default_factory=list)


def groups_of(dumps: Sequence[Dump]) -> dict[Group, list[Worker]]:
    """Return the threads of dumps by pool; a thread's first stack with a role decides."""
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
            worker.appearances.append(Appearance(place, thread, role))
    return _by_pool(workers.values(), parents)


def _by_pool(workers: Iterable[Worker], parents: dict[int, int]) -> dict[Group, list[Worker]]:
    grouped: dict[Group, list[Worker]] = defaultdict(list)
    for worker in workers:
        role = next(
            (one.role for one in worker.appearances if one.role.kind != THREADS),
            worker.appearances[-1].role,
        )
        is_process = role.kind in OF_PROCESSES and worker.native_id in (worker.key.pid, -1)
        pid = parents[worker.key.pid] if is_process else worker.key.pid
        grouped[Group(pid, role.kind, role.module, role.label)].append(worker)
    found: dict[Group, list[Worker]] = defaultdict(list)
    for group, members in grouped.items():
        pool = group
        if group.kind == THREADS:
            parked = any(one.role.parked for worker in members for one in worker.appearances)
            pool = (
                group._replace(kind=PoolKind.QUEUE_AND_THREADS, module="queue")
                if parked
                else group._replace(label=THREADS)
            )
        found[pool] += members
    return found
