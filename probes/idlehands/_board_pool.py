"""A pool whose workers are processes, as its owner sees it: by the pool's board.

When the pool has closed, what its slots hold is copied out of the board, which goes, and with it
the descriptor. When the pool opens again it gets a new board, with the same in it.
"""

from __future__ import annotations

from time import monotonic_ns
from typing import Callable

from . import _board as layout
from ._board import SLOT_WORDS, Board, Link
from ._board_view import FORGOTTEN, BoardView, copy_of, put_back, slot_of
from ._board_worker import BoardWorker
from ._notes import warn
from ._pool import PoolProbe, nanoseconds_of
from ._rings import Token
from ._shared import EVERY, NOT_ONE, SharedPool
from ._tables import NONE

LOOK_FOR_DEAD_NS = 200_000_000
START_NS = 60_000_000_000
"""The longest that a closed pool's board waits for worker processes that were not seen yet."""
LOCK_SECONDS = 0.05
"""The longest that the owner waits for the board's lock: it looks again soon."""
TOKEN: Token = (1, NONE, 0, 1, NONE, NONE)
"""A token to calibrate with."""
DETAIL = (0, 0, EVERY - 1, NOT_ONE)
"""What a board says in each step of detail, see `_board.EVERY`."""

_prices: list[float] = []


class BoardPool(SharedPool):
    """A shared pool whose workers are processes.

    Attributes: link (what the pool's queues carry), seen (when each present worker joined).
    """

    __slots__ = ("_every", "_looked_ns", "_refused", "link", "seen", "why_broken")

    sampled_by = "started_ns"

    def __init__(self, name: str, kind: str, number: int, most_workers: int, link: Link) -> None:
        super().__init__(name, kind, number, most_workers)
        self.link = link
        self.why_broken: Callable[[], str] = lambda: ""
        self.seen: tuple[int, ...] = ()
        self._every = 0
        self._looked_ns = NONE
        self._refused = 0

    def refresh(self, *, at_once: bool = False) -> None:
        """Find workers that are new, have ended or were replaced."""
        board = self.link.board
        if board is not None:
            self._find_new(board)
            now = monotonic_ns()
            if at_once or now - self._looked_ns >= LOOK_FOR_DEAD_NS:
                self._looked_ns = now
                self._retire_dead(board)
        signature = tuple(probe.joined_ns for probe in self.probes)
        if signature != self.seen:
            self.seen = signature
            self.revision += 1
        if self.closed_ns >= 0 and not self.off and self.workers_present():
            self.closed_ns = NONE  # they were only about to start
            self.revision += 1
        super().refresh()

    def _find_new(self, board: Board) -> None:
        index = len(self.probes)
        while index < board.slots:
            base = index * SLOT_WORDS
            if not board.words[base + layout.PID] and not board.words[base + layout.STAYS_WRITTEN]:
                break
            # In this place: a thread of the job's may have found it as well.
            self.probes[index : index + 1] = [BoardView(slot_of(board, index), index)]
            index += 1
        self.workers = len(self.probes)
        refused = board.words[layout.REFUSED]
        if refused and not self._refused:
            message = "pool %r has more worker processes than the %d that can be probed"
            warn(message, self.name, board.slots)
        self._refused = refused

    def _retire_dead(self, board: Board) -> None:
        dead = [probe.index for probe in self.probes if board.is_dead(probe.index)]
        if dead:
            with board.locked(LOCK_SECONDS) as is_alone:
                if is_alone:
                    board.retire_dead(dead)

    def make_room(self, slots: int) -> None:
        """Have a board with at least so many slots, what was recorded in it.

        For a pool that opens again, before its first worker starts. Raises OSError.
        """
        if self.link.board is not None and self.link.slots >= slots:
            return
        link = Link.create(max(slots, self.link.slots))
        board = link.board
        assert board is not None  # noqa: S101 - it is new
        for probe in self.probes:
            probe.slot = put_back(copy_of(probe.slot), board, probe.index)
        self.link = link
        self._say_detail()

    def compact(self) -> None:
        """Copy what is recorded out of the board, and let that go; not while a worker is there."""
        board = self.link.board
        if board is not None:
            self._find_new(board)
        if not self.workers_present() and not self._may_come_yet():
            for probe in self.probes:
                probe.slot = copy_of(probe.slot)
            self.link.board = None
            super().compact()

    def _may_come_yet(self) -> bool:
        """Say whether tasks wait for a worker process that takes its time to start."""
        ran = sum(probe.tasks_run for probe in self.probes) + self.cancellations.written
        return self.last_number >= ran and monotonic_ns() < self.closed_ns + START_NS

    def forget(self) -> None:
        """Give the memory back: nobody will read this any more."""
        self.link.board = None
        for probe in self.probes:
            probe.slot = FORGOTTEN
        super().forget()

    def turn_to(self, step: int) -> None:
        """Record in the detail of `step` from now on: which tasks, the worker processes choose."""
        PoolProbe.turn_to(self, step)
        self._every = DETAIL[step]
        self._say_detail()

    def _say_detail(self) -> None:
        board = self.link.board
        if board is not None:
            board.words[layout.EVERY] = self._every

    def price(self) -> tuple[float, float]:
        """Return nanoseconds that a task costs its worker process, (recorded, counted)."""
        if not _prices:
            worker = BoardWorker(Board(1), 0)
            worker.claim()
            worker.sign()

            def record() -> None:
                worker.running(TOKEN)
                worker.finished()

            _prices.append(nanoseconds_of(record))
            worker.count_only()
            _prices.append(nanoseconds_of(record))
        return _prices[0], _prices[1]

    def last_tasks(self) -> set[int]:
        """Return the numbers of the tasks in the board's rows, the last of each worker's."""
        numbers: set[int] = set()
        for probe in self.probes:
            written = probe.tasks.written
            _, rows = probe.tasks.read(max(0, written - layout.TASK_ROWS), layout.TASK_ROWS)
            numbers.update(rows.column("task"))
        return numbers

    def broken(self) -> str:
        """Return why the pool cannot be used any more."""
        return self.why_broken()
