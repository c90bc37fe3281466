"""Frames in, rows of the exported tables out. Pure.

What can change (the description of a pool, of its workers, of a process) is held and comes at the
end, as it was last; everything else comes as soon as its frame has been taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from idlehands.wire import NONE, SPAWNS

from .columns import TABLES_EXPORTED, dictionary_rows
from .descriptions import pool_row, process_row, signed, worker_rows
from .pool_names import PoolNames
from .recorded_columns import RECORDED

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from .. import CheckedFrame

MOST_UNDATED = 64
"""Frames of steal attempts of a pool that may wait for the frame with their time."""


class Batch(NamedTuple):
    """Some rows of one table: its columns, all of one length."""

    table: str
    columns: Sequence[Sequence[Any] | npt.NDArray[Any]]

    @property
    def lists(self) -> list[list[Any]]:
        """The columns as lists of Python's own types."""
        return [one.tolist() if isinstance(one, np.ndarray) else list(one) for one in self.columns]


def batch_of(table: str, rows: Iterable[Sequence[Any]]) -> list[Batch]:
    """Return rows of a table as a batch, in a list that is empty without rows."""
    columns = list(zip(*rows, strict=True))
    return [Batch(table, columns)] if columns else []


class Flattener:
    """Turns the frames of one recording into rows.

    names: which pools and processes there are.
    """

    def __init__(self) -> None:
        self.names = PoolNames()
        self._samples = 0
        self._steps: dict[int, dict[int, int]] = {}
        self._raised: dict[int, list[tuple[int, str, int]]] = {}
        self._undated: dict[int, list[CheckedFrame]] = {}
        self._totals: dict[tuple[int, int], Any] = {}
        self._of_kind: dict[str, Callable[[CheckedFrame], list[Batch]]] = {
            "rows": self._rows,
            "counters": self._counters,
            "levels": self._levels,
            "names": self._names,
            "host": self._host,
            "process": self._process,
            "stacks": self._stacks,
            "lost": self._lost,
            "skipped": self._skipped,
            "window": self._window,
            "mark": self._mark,
            "totals": self._totals_of_pool,
        }

    def take(self, frame: CheckedFrame) -> list[Batch]:
        """Return the rows that a frame brings."""
        self.names.take(frame)
        flatten = self._of_kind.get(frame["frame"])
        return flatten(frame) if flatten is not None else []

    def finish(self) -> list[Batch]:
        """Return the rows of everything that was held until the end, and the data dictionary."""
        pools = self.names.pools
        return [
            *(batch for number in list(self._undated) for batch in self._dated(number, NONE)),
            *batch_of("processes", map(process_row, self.names.processes)),
            *batch_of("pools", map(pool_row, pools)),
            *batch_of(
                "kinds",
                (
                    (pool.number, number, name)
                    for pool in pools
                    for number, name in enumerate(pool.names.get("task_kinds", ()))
                ),
            ),
            *batch_of("workers", (row for pool in pools for row in worker_rows(pool))),
            *batch_of(
                "dead_processes",
                ((pool.number, *one) for pool in pools for one in pool.names.get("first_dead", ())),
            ),
            *batch_of(
                "detail_steps",
                ((pool, *one) for pool, steps in self._steps.items() for one in steps.items()),
            ),
            *batch_of(
                "raised", ((pool, *one) for pool, found in self._raised.items() for one in found)
            ),
            *batch_of("dictionary", dictionary_rows()),
        ]

    def _rows(self, frame: CheckedFrame) -> list[Batch]:
        values, parts = frame["values"], frame["parts"]
        count = values.shape[1]
        if not count:
            return []
        pool = np.full(count, self.names.pool(frame).number, dtype=np.int64)
        worker = np.repeat([part[0] for part in parts], [part[3] for part in parts])
        own = list(values)
        if frame["table"] == SPAWNS.name:  # a row's number is its task's
            numbers = [
                np.arange(first, first + kept) if kept == rows else np.full(kept, NONE)
                for _, first, rows, kept in parts
            ]
            own.insert(0, np.concatenate(numbers))
        return [Batch(RECORDED[frame["table"]].name, [pool, worker, *own])]

    def _counters(self, frame: CheckedFrame) -> list[Batch]:
        number = self.names.pool(frame).number
        waiting = self._undated.setdefault(number, [])
        waiting.append(frame)
        return self._dated(number, NONE) if len(waiting) >= MOST_UNDATED else []

    def _dated(self, number: int, at_ns: int) -> list[Batch]:
        """Return the steal attempts of a pool that wait for their time."""
        rows: list[tuple[int, ...]] = []
        for frame in self._undated.pop(number, ()):
            if "totals" in frame:
                rows += self._since(number, at_ns, frame)
            else:
                pairs = zip(frame["thief"].tolist(), frame["victim"].tolist(), strict=True)
                added = np.stack(frame["added"]).T.tolist()
                rows += [(number, at_ns, *p, *a) for p, a in zip(pairs, added, strict=True)]
        return batch_of("steal_attempts", rows)

    def _since(self, number: int, at_ns: int, frame: CheckedFrame) -> list[tuple[int, ...]]:
        """Return what a thief's attempts rose by: older versions of the wire send totals."""
        thief, totals = frame["thief"], frame["totals"]
        before = self._totals.get((number, thief))
        same = before is not None and before.shape == totals.shape and (totals >= before).all()
        added = totals - before if same else totals
        self._totals[number, thief] = totals
        return [
            (number, at_ns, thief, victim, *added[:, victim].tolist())
            for victim in np.flatnonzero(added.any(axis=0)).tolist()
        ]

    def _levels(self, frame: CheckedFrame) -> list[Batch]:
        number, at_ns = self.names.pool(frame).number, frame["at_ns"]
        deques, ran, workers = frame["deques"], frame["ran"], frame["workers"]
        most = max(len(deques), len(ran), len(workers))
        rows = (
            (
                number,
                at_ns,
                worker,
                deques[worker] if worker < len(deques) else NONE,
                ran[worker] if worker < len(ran) else NONE,
                len(workers[worker]) if worker < len(workers) else NONE,
            )
            for worker in range(most)
        )
        self._raised[number] = frame["raised"]  # counted since the pool began
        whole = (number, at_ns, frame["inbox"], sum(ran), frame["spawned"], frame["misuses"])
        return [
            *self._dated(number, at_ns),
            *batch_of("levels", [whole]),
            *batch_of("worker_levels", rows),
        ]

    def _names(self, frame: CheckedFrame) -> list[Batch]:
        self._steps.setdefault(self.names.pool(frame).number, {}).update(frame["steps"])
        return []

    def _host(self, frame: CheckedFrame) -> list[Batch]:
        process, at_ns, gone = self.names.process.number, frame["at_ns"], frame["gone"]
        threads, waits, switches = frame["threads"], frame["waits"], frame["switches"]
        beside = set(frame["beside"])
        rows = (
            (
                process,
                frame["moments"].get(thread, at_ns),
                thread,
                *threads.get(thread, (NONE, NONE)),
                waits.get(thread, ""),
                *switches.get(thread, (NONE, NONE, NONE)),
                int(thread in gone),
                int(thread in beside),
            )
            for thread in dict.fromkeys([*threads, *waits, *switches, *gone, *beside])
        )
        return batch_of("thread_samples", rows)

    def _process(self, frame: CheckedFrame) -> list[Batch]:
        names = TABLES_EXPORTED["process_samples"].names[1:]
        row = (self.names.process.number, *(frame[name] for name in names))
        return batch_of("process_samples", [row])

    def _stacks(self, frame: CheckedFrame) -> list[Batch]:
        samples, frames = [], []
        start = (frame["at_ns"], frame["began_ns"], frame["pid"], frame["parent"])
        nobody = {"native_id": NONE, "name": "", "owns_lock": False, "wait": "", "frames": ()}
        for thread in frame["threads"] or [nobody]:
            number = self._samples
            self._samples += 1
            own = (signed(thread["native_id"]), thread["name"], int(thread["owns_lock"]))
            samples.append((number, *start, *own, thread["wait"], frame["missing"]))
            frames += [(number, depth, *one) for depth, one in enumerate(thread["frames"])]
        return [*batch_of("stack_samples", samples), *batch_of("stack_frames", frames)]

    def _lost(self, frame: CheckedFrame) -> list[Batch]:
        name = RECORDED[frame["table"]].name
        row = (self.names.pool(frame).number, name, frame["worker"], frame["rows"])
        return batch_of("lost_rows", [row])

    def _skipped(self, frame: CheckedFrame) -> list[Batch]:
        return batch_of("left_out", [(frame["what"], frame["why"], frame["count"])])

    def _window(self, frame: CheckedFrame) -> list[Batch]:
        return batch_of("windows", [(frame["begin_ns"], frame["length_ns"])])

    def _totals_of_pool(self, frame: CheckedFrame) -> list[Batch]:
        values = frame["values"]
        pool = np.full(values.shape[1], self.names.pool(frame).number, dtype=np.int64)
        return [Batch("totals", [pool, *values])] if values.size else []

    def _mark(self, frame: CheckedFrame) -> list[Batch]:
        return batch_of("marks", [(frame["at_ns"], frame["note"])])
