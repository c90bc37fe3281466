"""From a recorded pool to a scenario that waits as the recorded run did. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ...ledger.rows import Recent
from ...model.vocabulary import FindingCode
from ...model.whatif import Arrivals
from ..stats.order_statistics import places_of
from .arrivals import Coming, coming
from .calibrating import LEAST_WAIT, Calibrated, calibrated
from .measured import overheads, piped, rules, shares_interpreter
from .recorded import KindShares, Recorded, recorded
from .rules import MOST_WORKERS, Machine, Team
from .scenario import Scenario, measure
from .shares import INTERPRETER, LEAST_SAMPLES, kind_shares

if TYPE_CHECKING:
    from ...ledger import PoolLedger
    from ...model.arrays import Float
    from ...model.reading import PoolReading
    from ...model.worker_time import InTask
    from .program import Program

LOCKING = 0.01
"""Kinds that waited for locks for this share of their own time or more are taken to hold one."""


BUSY = 0.8
"""A thread that computes beside the workers for so large a part of the time hands in as fast as it
can: what it hands in is a batch that comes slowly. Chosen."""


@dataclass(frozen=True, slots=True)
class PoolInput:
    """What is known of one pool: its rows, its reading, its time in tasks, the usable cores.

    busy_beside: how many threads of the process that are no workers were on a core or ready to run,
    the mean over the window.
    """

    ledger: PoolLedger
    reading: PoolReading
    in_task: InTask
    usable_cores: float
    busy_beside: float = 0.0


@dataclass(frozen=True, slots=True)
class Recording:
    """A recorded run as a scenario. value: what it came to, in the unit of its arrivals.

    unrecorded: whether tasks of the window left no row, because the probe had given up detail.
    nested: whether tasks wait for tasks of their own pool and no row says for which.
    """

    scenario: Scenario
    held: Recorded
    comes: Coming
    value: float
    found: Calibrated
    sampled: bool
    unrecorded: bool = False
    nested: bool = False

    @property
    def whole(self) -> float:
        """What the whole run came to, where only the last tasks of it are simulated."""
        is_cut = len(self.held.task) < self.held.all_tasks
        is_batch = self.comes.arrivals is Arrivals.BATCH
        is_one_pool = len(self.scenario.teams) == 1
        return self.held.whole_s if is_cut and is_batch and is_one_pool else self.value

    @property
    def refused(self) -> str:
        """Why such a run cannot be simulated, "" where it can."""
        if self.held.moved:
            return "tasks went to another pool, and a part of the run is not in this one"
        if self.unrecorded:
            return "tasks were so many that the probe counted them and did not record each"
        if self.nested:
            return "tasks wait for tasks of their own pool, and it is not recorded for which"
        return ""

    @property
    def notes(self) -> tuple[str, ...]:
        """What is assumed of the run itself."""
        return tuple(_notes(self))


def recording(asked: PoolInput, arrivals: Arrivals | None, most: int) -> Recording | None:
    """Return the recorded run, None without a task that began and ended in the window."""
    pool = asked.reading
    shares = kind_shares(asked.in_task, _waited_ns(asked))
    held = recorded(asked.ledger, pool.begin_ns, pool.end_ns, shares, most)
    if held is None:
        return None
    made = _recording(asked, held, shares, arrivals)
    if made.found.lock_share is None:
        # What they wait for is no lock that these tasks hold: it is their own time then.
        shares = tuple(
            replace(one, off_core=one.off_core + one.lock_wait, lock_wait=0.0) for one in shares
        )
        held = recorded(asked.ledger, pool.begin_ns, pool.end_ns, shares, most) or held
        made = _recording(asked, held, shares, arrivals)
    return made


def _recording(
    asked: PoolInput, held: Recorded, shares: tuple[KindShares, ...], arrivals: Arrivals | None
) -> Recording:
    pool = asked.reading
    outside = held.outside
    comes = coming(held.came_ns[outside], held.ended_ns[outside], arrivals)
    if arrivals is None and comes_slowly(comes.arrivals, asked.busy_beside):
        comes = coming(held.came_ns[outside], held.ended_ns[outside], Arrivals.BATCH)
    team = Team(
        max(1, min(pool.size, MOST_WORKERS)), rules(pool, asked.ledger), overheads(pool, held)
    )
    last = len(shares) - 1
    scenario = Scenario(
        program=_handed_in(held, comes),
        machine=Machine(asked.usable_cores, one_lock=shares_interpreter(pool)),
        teams=(team,),
        arrivals=comes.arrivals,
        kinds=tuple(kind if 0 <= kind < last else -1 for kind in held.kind.tolist()),
        names=tuple(asked.ledger.task_kinds),
        piped=not shares_interpreter(pool)
        and piped(held.came_ns[outside], held.started_ns[outside]),
    )
    sampled = _is_known(asked)
    locking = frozenset(
        k if k < last else -1 for k, s in enumerate(shares) if s.lock_wait > LOCKING
    )
    unknown = 0.0 if sampled else held.off_core_ns
    found = calibrated(
        scenario,
        held.core_wait_ns,
        held.lock_wait_ns,
        locking,
        unknown_ns=unknown,
        lock_part=_part_for_the_lock(asked),
        busy_beside=asked.busy_beside,
    )
    value = measure(comes.arrivals, held.came_ns[outside], held.ended_ns[outside])
    return Recording(
        found.scenario,
        held,
        comes,
        value,
        found,
        sampled,
        unrecorded=pool.counted_s + pool.thinned_s > 0,
        nested=not pool.has_steals and _is_nested(pool),
    )


def _is_nested(pool: PoolReading) -> bool:
    return any(finding.code is FindingCode.NESTED_WAIT for finding in pool.findings)


def comes_slowly(arrivals: Arrivals, busy_beside: float) -> bool:
    """Return whether tasks come at the pace of a thread that computes, and at no pace of theirs."""
    return arrivals is Arrivals.OPEN and busy_beside >= BUSY


def _part_for_the_lock(asked: PoolInput) -> float:
    """Return which part of the waits for a core or the interpreter lock were for the lock, 0 to 1.

    A thread that waits for the lock sleeps, so the kernel counts it as blocked, and samples say for
    what; a wait in a run queue is for a core.
    """
    samples = asked.in_task.samples.sum(axis=1)
    part = float(samples[INTERPRETER]) / max(1, int(samples.sum()))
    for_the_lock = part * int(asked.in_task.by_kind[1].sum())
    return for_the_lock / max(1.0, for_the_lock + int(asked.in_task.by_kind[2].sum()))


def _is_known(asked: PoolInput) -> bool:
    """Return whether it is known what tasks waited for: by samples, or because they never did."""
    blocked_ns, all_ns = int(asked.in_task.by_kind[1].sum()), int(asked.in_task.by_kind.sum())
    samples = int(asked.in_task.samples.sum())
    return samples >= LEAST_SAMPLES or blocked_ns < LEAST_WAIT * all_ns


def _handed_in(held: Recorded, comes: Coming) -> Program:
    """Return the recorded program with its arrivals."""
    by_itself = comes.count == 0
    places = held.outside
    own = dict(zip(places[by_itself].tolist(), comes.came_ns[by_itself].tolist(), strict=True))
    gates = zip(comes.count[~by_itself].tolist(), comes.after_ns[~by_itself].tolist(), strict=True)
    return replace(
        held.program,
        comes_ns=own,
        gates=dict(zip(places[~by_itself].tolist(), gates, strict=True)),
    )


def _waited_ns(asked: PoolInput) -> Float:
    """Return how long tasks of each kind did nothing else in recorded waits, shape (kinds + 1,)."""
    pool, kinds = asked.ledger, asked.in_task.by_kind.shape[1]
    waited = np.zeros(kinds)
    waits, tasks = Recent(pool.waits, asked.reading.begin_ns), pool.tasks
    idle = waits["helped"] == 0
    if not idle.any():
        return waited
    number = tasks["task"]
    order = np.argsort(number, kind="stable")
    place = places_of(number[order], waits["task"][idle])
    kind = np.append(tasks["kind"][order], -1)[place]
    kind = np.where((kind >= 0) & (kind < kinds - 1), kind, kinds - 1)
    np.add.at(waited, kind, (waits["ended_ns"] - waits["began_ns"])[idle])
    return waited


def _notes(made: Recording) -> list[str]:
    found, machine = made.found, made.scenario.machine
    notes = []
    if made.comes.arrivals is Arrivals.CLOSED:
        flight = made.comes.in_flight
        one = "one task is" if flight == 1 else f"{flight} tasks are"
        notes.append(f"At most {one} in flight, as recorded")
    if found.interpreter_share is not None:
        share = f"{100 * found.interpreter_share:.0f} %"
        notes.append(f"{share} of the time on a core needs the interpreter lock")
    if machine.foreign >= 0.1:
        notes.append(
            f"Other processes wanted about {machine.foreign:.1f} cores all along: tasks waited "
            "longer for a core than they make each other wait"
        )
    if machine.lock_others >= 0.1:
        notes.append(
            "Threads that are no workers want the interpreter lock: about "
            f"{machine.lock_others:.1f} of them all along"
        )
    if found.lock_share:
        notes.append(
            f"Tasks that wait for a lock hold it for {100 * found.lock_share:.0f} % of their time, "
            "all of them the same one"
        )
    if not made.sampled:
        notes.append("What blocked tasks waited for was not sampled: it is taken to be their own")
    return notes
