"""A process as a worker: it takes a shared slot, writes what it runs, and gives the slot back.

It may lose the slot: if another process could not see that it is alive, or if the job has written
into the shared memory. A worker that finds another's mark in its slot records no more.
"""

from __future__ import annotations

import contextlib
import os
import threading
from multiprocessing import process, util
from time import monotonic_ns, sleep, thread_time_ns

from ._descriptors import Identity, start_ticks
from ._guard import is_for_the_job
from ._packed_rows import CELL_BYTES
from ._process import LAST_OF_ALL
from ._raised import count_in
from ._rings import NO_TOKEN, Token
from ._shared_slots import SharedSlots
from ._slot_layout import (
    EVERY,
    HEADER_CELLS,
    IDENT,
    IDLE_CELLS,
    IDLE_INTERVALS_AT,
    IDLE_INTERVALS_WRITTEN,
    IDLE_ROWS,
    JOINED,
    LAST_PID,
    MOST,
    NAME,
    NAME_BYTES,
    NATIVE_ID,
    PID,
    RAISED,
    REFUSED,
    SKIPPED,
    SLOT_CELLS,
    STARTED,
    TASK_CELLS,
    TASK_ROWS,
    TASKS_WRITTEN,
    TICKS,
    TOKEN,
    pack_idle_interval,
    pack_token,
)
from ._slots_link import Link
from ._tables import FETCHING, FINISHED, NONE, PARKED
from ._worker import CPU_WORTH_NS

LOCK_SECONDS = 1.0
"""The longest that a worker process waits for the lock: its holder may have been stopped."""
SETTLE_SECONDS = 0.002
"""A process that takes a slot without the lock checks after this time whether it has the slot."""
ATTEMPTS = 8


class SlotWorker:
    """This process as a worker that writes into one slot.

    Its methods raise nothing but the exceptions of the job's signal handlers. A worker that fails,
    or has lost its slot, records no more.
    """

    def __init__(self, shared: SharedSlots, slot: int) -> None:
        self._shared_slots = shared
        self._slot = slot
        self._base = slot * SLOT_CELLS
        self._joined = 0
        self._token: Token = NO_TOKEN
        self._started = 0
        self._mark = NONE
        self._after = 0
        self._long: dict[int, bool] = {}

    def claim(self) -> None:
        """Write this process's mark into the slot; other processes see it only after `sign`."""
        self._shared_slots.cells[self._base + JOINED] = self._joined = monotonic_ns()

    def sign(self) -> None:
        """Write the identity of this process into the slot."""
        cells, base = self._shared_slots.cells, self._base
        name = _process_name().encode("utf-8", "replace")[:NAME_BYTES]
        offset = (base + NAME) * CELL_BYTES
        self._shared_slots.memory[offset : offset + NAME_BYTES] = name.ljust(NAME_BYTES, b"\0")
        cells[base + TICKS] = start_ticks(os.getpid())
        cells[base + NATIVE_ID] = threading.get_native_id()
        cells[base + IDENT] = threading.get_ident()
        cells[base + STARTED] = 0
        cells[base + LAST_PID] = os.getpid()
        cells[base + PID] = os.getpid()

    @property
    def has_slot(self) -> bool:
        """Whether the slot is still this process's."""
        return bool(self._shared_slots.cells[self._base + JOINED] == self._joined)

    def running(self, token: Token) -> None:
        """Begin the task of `token`."""
        if self._started:
            self.finished()
        shared, base = self._shared_slots, self._base
        cells = shared.cells
        try:
            if cells[base + JOINED] != self._joined:
                return
            if self._after:
                self._end_idle_interval(token)
            every = cells[EVERY]
            if every and token[0] & every:
                cells[base + SKIPPED] += 1
                return
            self._token = token
            self._mark = thread_time_ns() if self._long.get(token[2]) else NONE
            self._started = monotonic_ns()
            pack_token(shared.memory, (base + TOKEN) * CELL_BYTES, *token)
            cells[base + STARTED] = self._started
        except Exception as error:
            self._failed(error)

    def finished(self, outcome: int = FINISHED, error: type[BaseException] | None = None) -> None:
        """End the running task, `error`: what it raised; do nothing where none is running."""
        started = self._started
        if not started:
            return
        self._started = 0
        ended = monotonic_ns()
        shared, token, base = self._shared_slots, self._token, self._base
        try:
            cpu = thread_time_ns() - self._mark if self._mark >= 0 else NONE
            if shared.cells[base + STARTED] != started:  # taken for dead, its task for lost
                return
            shared.put_task(self._slot, token, started, ended, cpu, outcome)
            shared.cells[base + STARTED] = 0
            if error is not None:
                count_in(shared.cells, base + RAISED, token[2], error)
            every = shared.cells[EVERY]
            self._long[token[2]] = not every and ended - started >= CPU_WORTH_NS
            self._after = ended if every else 0
        except Exception as error:
            self._failed(error)

    def _failed(self, error: Exception) -> None:
        if is_for_the_job(error):
            raise error
        self._joined = MOST + 1  # which no slot can hold

    def _end_idle_interval(self, token: Token) -> None:
        """Record the idle interval after a recorded task; it stands for those after the others."""
        shared, base = self._shared_slots, self._base
        state = PARKED if token[3] > self._after else FETCHING
        written = shared.cells[base + IDLE_INTERVALS_WRITTEN]
        offset = base + IDLE_INTERVALS_AT + written % IDLE_ROWS * IDLE_CELLS
        row = self._after, monotonic_ns(), state, 0, NONE, NONE
        pack_idle_interval(shared.memory, offset * CELL_BYTES, *row)
        shared.cells[base + IDLE_INTERVALS_WRITTEN] = written + 1 & MOST
        self._after = 0

    def count_only(self) -> None:
        """Record no task from now on, only count them."""
        self._shared_slots.cells[EVERY] = 1

    def amend(self, outcome: int, error: type[BaseException]) -> None:
        """Change the outcome of the task that ended last: its result could not be sent."""
        cells, base = self._shared_slots.cells, self._base
        last = cells[base + TASKS_WRITTEN] - 1
        if last >= 0 and self.has_slot:
            cells[base + HEADER_CELLS + last % TASK_ROWS * TASK_CELLS + TASK_CELLS - 1] = outcome
            count_in(cells, base + RAISED, self._token[2], error)

    def leave(self) -> None:
        """Give the slot back."""
        try:
            with self._shared_slots.locked(LOCK_SECONDS):
                if self.has_slot and self._shared_slots.cells[self._base + PID]:
                    self._shared_slots.retire(self._slot)
        except Exception as error:
            self._failed(error)


_workers: dict[tuple[int, Identity], SlotWorker | None] = {}


def worker_of(link: Link) -> SlotWorker | None:
    """Return this process as a worker of the slots at `link`, None where that is impossible.

    A process that was forked from a worker is another worker, and has a slot of its own.
    """
    key = os.getpid(), link.identity
    if key not in _workers:
        _workers[key] = None
        try:
            if link.shared is not None:
                _workers[key] = _take_slot(link.shared)
                util.Finalize(None, leave, (link,), exitpriority=LAST_OF_ALL)
        except Exception as error:
            if is_for_the_job(error):
                raise
    return _workers[key]


def leave(link: Link) -> None:
    """End this process's lifetime as a worker of the slots at `link`."""
    worker = _workers.pop((os.getpid(), link.identity), None)
    if worker is not None:
        worker.leave()


def _take_slot(shared: SharedSlots) -> SlotWorker | None:
    for attempt in range(ATTEMPTS):
        with shared.locked(LOCK_SECONDS) as is_alone, _alone_otherwise(shared, is_alone):
            slot = shared.free_slot(is_alone=is_alone)
            if slot < 0:
                shared.cells[REFUSED] += 1
                return None
            worker = SlotWorker(shared, slot)
            worker.claim()
            if not is_alone:  # another process may claim it under the lock: the last claim counts
                sleep(SETTLE_SECONDS * (1 + attempt))
            if worker.has_slot:
                worker.sign()
                return worker
    return None


def _alone_otherwise(
    shared: SharedSlots, is_alone: bool
) -> contextlib.AbstractContextManager[None]:
    return contextlib.nullcontext() if is_alone else shared.named(LOCK_SECONDS)


def _process_name() -> str:
    """Return the name of this process without running code of the job's, whatever its class."""
    name = object.__getattribute__(process.current_process(), "__dict__").get("_name")
    return name if type(name) is str else ""
