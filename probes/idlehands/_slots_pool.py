"""A pool whose workers are processes, as its owner sees it: by the pool's shared slots.

When the pool has closed, its slots are copied out of the shared memory, and the memory and its
descriptor are freed. A pool that opens again gets new shared slots with the same contents.
"""

from __future__ import annotations

from time import monotonic_ns
from typing import Callable

from . import _slot_layout as layout
from ._detail import MASKS, nanoseconds_of
from ._notes import warn
from ._pool import PoolProbe
from ._rings import Token
from ._shared import SharedPool
from ._shared_slots import SharedSlots
from ._slot_layout import SLOT_CELLS
from ._slot_view import FORGOTTEN, SlotView, copy_of, put_back, slot_of
from ._slot_worker import SlotWorker
from ._slots_link import Link
from ._tables import NONE

CHECK_FOR_DEAD_NS = 200_000_000
START_NS = 60_000_000_000
"""The longest that a closed pool's slots are kept for worker processes that may yet start."""
LOCK_SECONDS = 0.05
"""The longest that the owner waits for the slots' lock: it checks again soon."""
TOKEN: Token = (1, NONE, 0, 1, NONE, NONE)
"""A token to calibrate with."""

_prices: list[float] = []


class SlotsPool(SharedPool):
    """A shared pool whose workers are processes.

    Attributes: link (what the pool's queues carry), seen (when each present worker joined).
    """

    __slots__ = ("_checked_ns", "_every", "_refused", "link", "seen", "unrecorded", "why_broken")

    thinned_by = "started_ns"

    def __init__(self, name: str, kind: str, number: int, most_workers: int, link: Link) -> None:
        super().__init__(name, kind, number, most_workers)
        self.link = link
        self.why_broken: Callable[[], str] = lambda: ""
        self.seen: tuple[int, ...] = ()
        self._every = self.unrecorded = 0
        self._checked_ns = NONE
        self._refused = 0

    def refresh(self, *, at_once: bool = False) -> None:
        """Find the workers that are new, have ended or were replaced."""
        shared = self.link.shared
        if shared is not None:
            self._find_new(shared)
            now = monotonic_ns()
            if at_once or now - self._checked_ns >= CHECK_FOR_DEAD_NS:
                self._checked_ns = now
                self._retire_dead(shared)
        signature = tuple(probe.joined_ns for probe in self.probes)
        if signature != self.seen:
            self.seen = signature
            self.revision += 1
        if self.closed_ns >= 0 and not self.off:
            self._put_off_its_end()
        super().refresh()

    def _put_off_its_end(self) -> None:
        """Let a pool that nobody can hand tasks to end with its workers, which had tasks left."""
        if self.workers_present():
            self.closed_ns = NONE  # they were only about to start
            self.revision += 1
            return
        left = max([self.closed_ns, *(_left_ns(probe) for probe in self.probes)])
        if left > self.closed_ns:  # they have come and gone since
            self.closed_ns = left
            self.revision += 1

    def _find_new(self, shared: SharedSlots) -> None:
        index = len(self.probes)
        while index < shared.slots:
            base = index * SLOT_CELLS
            if (
                not shared.cells[base + layout.PID]
                and not shared.cells[base + layout.LIFETIMES_WRITTEN]
            ):
                break
            # Assigned to this place: a thread of the job's may have found the slot as well.
            self.probes[index : index + 1] = [SlotView(slot_of(shared, index), index)]
            index += 1
        self.workers = len(self.probes)
        refused = shared.cells[layout.REFUSED]
        if refused and not self._refused:
            message = "pool %r has more worker processes than the %d that can be probed"
            warn(message, self.name, shared.slots)
        self._refused = refused

    def _retire_dead(self, shared: SharedSlots) -> None:
        dead = [probe.index for probe in self.probes if shared.is_dead(probe.index)]
        if dead:
            with shared.locked(LOCK_SECONDS) as is_alone:
                if is_alone:
                    shared.retire_dead(dead)

    def make_room(self, slots: int) -> None:
        """Have at least so many shared slots, with what was recorded before.

        For a pool that opens again, before its first worker starts. Raises OSError.
        """
        if self.link.shared is not None and self.link.slots >= slots:
            return
        link = Link.create(max(slots, self.link.slots))
        shared = link.shared
        assert shared is not None  # noqa: S101 - it is new
        for probe in self.probes:
            probe.slot = put_back(copy_of(probe.slot), shared, probe.index)
        self.link = link
        self._publish_detail()

    def compact(self) -> None:
        """Copy the slots out of the shared memory and free it, unless a worker is there."""
        shared = self.link.shared
        if shared is not None:
            self._find_new(shared)
        if not self.workers_present() and not self._may_come_yet():
            for probe in self.probes:
                probe.slot = copy_of(probe.slot)
            self.link.shared = None
            super().compact()

    def _may_come_yet(self) -> bool:
        """Return whether tasks wait for a worker process that has not started yet."""
        ran = sum(probe.tasks_run for probe in self.probes) + self.cancellations.written
        return self.last_number >= ran and monotonic_ns() < self.closed_ns + START_NS

    def forget(self) -> None:
        """Free the memory: no reader will read this any more."""
        self.link.shared = None
        for probe in self.probes:
            probe.slot = FORGOTTEN
        super().forget()

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on; the worker processes choose the tasks."""
        PoolProbe.turn_to(self, step)
        self._every = MASKS[step]
        self.unrecorded |= self._every
        self._publish_detail()

    def _publish_detail(self) -> None:
        shared = self.link.shared
        if shared is not None:
            shared.cells[layout.EVERY] = self._every

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that a task costs its worker process, (recorded, counted)."""
        if not _prices:
            worker = SlotWorker(SharedSlots(1), 0)
            worker.claim()

            def record() -> None:
                worker.running(TOKEN)
                worker.finished()

            _prices.append(nanoseconds_of(record))
            worker.count_only()
            _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[1]

    def last_tasks(self) -> set[int]:
        """Return the numbers of the tasks in the slots' rows, the last ones of each worker."""
        numbers: set[int] = set()
        for probe in self.probes:
            written = probe.tasks.written
            _, rows = probe.tasks.read(max(0, written - layout.TASK_ROWS), layout.TASK_ROWS)
            numbers.update(rows.column("task"))
        return numbers

    def broken(self) -> str:
        """Return why the pool cannot be used any more."""
        return self.why_broken()


def _left_ns(probe: SlotView) -> int:
    """Return when the last process in a slot left, -1 where none has."""
    ring = probe.lifetimes
    written = ring.written
    if not written:
        return NONE
    _, rows = ring.read(written - 1, 1)
    return max(rows.column("ended_ns"), default=NONE)
