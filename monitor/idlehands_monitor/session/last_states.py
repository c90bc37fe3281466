"""The last states of processes that were killed, or that do not answer, from the pages they left.

Whether a process still runs is asked of the kernel, by its id and the moment of its start, where
the page was written under the same kernel and in the same namespace of process ids. For a process
in a container its socket must do: one that is there is of the newest page that names it.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

from idlehands.wire import PAGE_ENDED, PAGE_RESTING, WORKER_STATES

from ..ingest.sources import host
from ..ingest.sources.asking import FoundPool, FoundProcess
from ..ingest.sources.discovery import Finder, Job, process_id
from ..ingest.sources.kernel_files import read
from ..ingest.sources.pages import Page, read_pages
from ..model.last_state import LastPool, LastState, LastWorker
from ..model.vocabulary import DETAIL_NAMES, DetailStep, WorkerState
from .machine import MACHINE, Machine

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from typing import Any

BOOT_ID = "/proc/sys/kernel/random/boot_id"
NAMESPACE = "/proc/self/ns/pid"
RESTS = "since a fork it has no thread until the next task is handed in"


def last_states(sockets: Collection[str], machine: Machine = MACHINE) -> list[LastState]:
    """Return the last states of all processes that have left a page, the last written first.

    sockets: the paths of those sockets that processes hold now. Pages of processes that ended well
    are left out.
    """
    boot, namespace = _boot(), _namespace()
    held = set(sockets)
    found = list[LastState]()
    for page in read_pages():
        state = page.state
        if state["boot"] == boot and state["namespace"] == namespace:
            is_running = _runs(state["pid"], state["ticks"])
        else:
            is_running = page.socket_path in held
        held.discard(page.socket_path)  # an older page with that socket is of another process
        if page.mark != PAGE_ENDED:
            found.append(_last_state(page, is_running, machine))
    return found


def with_last_states(found: Collection[FoundProcess]) -> list[FoundProcess]:
    """Return processes with what their last states add: how long those that did not answer have
    been silent, and behind them those that have ended, the last first."""
    states = last_states([process.path for process in found])
    running = {state.pid: state for state in states if state.is_running}
    processes = [
        _silent(process, running[process.pid])
        if process.note and process.pid in running
        else process
        for process in found
    ]
    return processes + [_ended(state) for state in states if not state.is_running]


def _silent(process: FoundProcess, state: LastState) -> FoundProcess:
    """Return a process that does not answer with what its last state says of that."""
    if state.is_resting:
        return replace(process, note=f"{process.note}; {RESTS}")
    return replace(process, silent_s=state.silent_s)


def _ended(state: LastState) -> FoundProcess:
    pools = (FoundPool(pool.name, pool.kind, pool.workers, closed=False) for pool in state.pools)
    return FoundProcess(
        state.pid,
        state.path,
        state.program,
        state.python,
        tuple(pools),
        state.owner,
        "ended without its exit functions",
        last_seen_s=state.seen_s,
    )


def last_state(target: str, machine: Machine = MACHINE) -> LastState | None:
    """Return the last state of a process, by its id or by the name of a pool it had open; of
    several the newest."""
    pid = process_id(target)
    found = Finder().find(Job(target) if pid is not None else None)
    for state in last_states([process.path for process in found], machine):
        if state.pid == pid or (pid is None and any(pool.name == target for pool in state.pools)):
            return state
    return None


def _boot() -> str:
    try:
        return read(BOOT_ID).decode("ascii", "replace").strip()
    except OSError:
        return ""


def _namespace() -> int:
    try:
        return os.stat(NAMESPACE).st_ino
    except OSError:
        return -1


def _runs(pid: int, ticks: int) -> bool:
    return host.process_exists(pid) and (ticks < 0 or host.beginning(pid) == ticks)


def _last_state(page: Page, is_running: bool, machine: Machine) -> LastState:
    state = page.state
    began = state["began_wall_ns"]
    seen_s = state["wall_ns"] / 1e9
    if is_running:  # then both are of one clock, which nobody sets
        age_s = machine.monotonic() - state["at_ns"] / 1e9
    else:
        age_s = machine.wall() - seen_s
    return LastState(
        pid=state["pid"],
        program=state["argv0"],
        python=state["python"],
        path=page.path,
        owner=page.owner,
        is_running=is_running,
        is_stopped=is_running and host.is_stopped(state["pid"]),
        is_resting=page.mark == PAGE_RESTING,
        seen_s=seen_s,
        age_s=max(0.0, age_s),
        began_s=began / 1e9 if began >= 0 else None,
        peak_bytes=state["peak_bytes"],
        pools=tuple(_pool(pool, state["at_ns"]) for pool in state["pools"]),
        pools_left_out=state["pools_left_out"],
    )


def _pool(pool: Mapping[str, Any], at_ns: int) -> LastPool:
    step = pool["step"]
    return LastPool(
        name=pool["name"],
        kind=pool["pool_kind"],
        workers=pool["workers"],
        handed_in=pool["handed_in"],
        ran=pool["ran"],
        queued=pool["queued"],
        detail=DETAIL_NAMES[DetailStep(step)] if step in set(DetailStep) else "unknown detail",
        listed=tuple(_workers(pool, at_ns)),
    )


def _workers(pool: Mapping[str, Any], at_ns: int) -> Iterator[LastWorker]:
    kinds = pool["task_kinds"]
    for index, number, kind, since_ns, pid in pool["listed"]:
        name = WORKER_STATES[number]
        state = WorkerState.BETWEEN_TASKS if name == "fetching" else WorkerState(name)
        doing = kinds[kind] if 0 <= kind < len(kinds) else ""
        for_s = max(0, at_ns - since_ns) / 1e9 if since_ns >= 0 else None
        yield LastWorker(index, state, doing, for_s, pid)
