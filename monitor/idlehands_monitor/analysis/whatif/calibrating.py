"""What a recorded run does not say directly, found by simulation: how much of the time on a core
needs the interpreter lock, how much other processes wanted the cores, how long tasks hold the lock
that they wait for.

Pure. Each is set so that the simulated run waits as long as the recorded one did: tasks that are
simulated to wait longer for the interpreter lock than they did hold it for a smaller share, and so
on. What the record does not contradict stays as it is by nature: all of a thread's time on a core
needs the interpreter lock, and nobody else wants the cores. A wait for a core that even busy cores
do not explain (a thread that wakes waits for its turn) stays a part of the task's own waits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from .program import Do, Program
from .shaping import with_interpreter_lock, with_lock, with_waits

if TYPE_CHECKING:
    from collections.abc import Callable

    from .scenario import Scenario

MOST_TASKS = 2_500
"""Tasks that are simulated for it."""
ROUNDS = 7
"""Halvings of the range of what is sought: to within a hundredth."""
BEHIND_THE_LOCK = 2.0
"""Waits for the interpreter lock may bring as much waiting for a core along: who gets the lock must
wake up first. Chosen."""
LEAST_WAIT = 0.01
"""Waits below this share of own time are too short to judge by; common practice, no source."""
FULL = 0.9
MOST_OTHERS = 2.0
"""Threads of other processes that want the cores at most, for each core."""
EXPLAINED = 0.7
"""A lock that lets tasks wait for a smaller part than this of what they did is not the one."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A scenario that waits as the recorded run did.

    interpreter_share: of time on a core, None where workers share no interpreter. lock_share: of
    the own time of tasks that wait for a lock, in which they hold it; 0 where none wait, None where
    no share lets them wait as long as they did. How many others want the cores and the interpreter
    lock is in the scenario's machine.
    """

    scenario: Scenario
    interpreter_share: float | None
    lock_share: float | None


def calibrated(
    scenario: Scenario,
    core_wait_ns: float,
    lock_wait_ns: float,
    locking: frozenset[int],
    *,
    unknown_ns: float = 0.0,
    lock_part: float = 1.0,
    busy_beside: float = 0.0,
) -> Calibrated:
    """Return a scenario that waits as long as recorded.

    core_wait_ns: how long all tasks waited for a core or the interpreter lock; lock_wait_ns: for
    other locks, as tasks of the kinds `locking` do. unknown_ns: how long they were off the core
    without a sign of what for: it may have been the interpreter lock. lock_part: which part of
    core_wait_ns was for the interpreter lock, the rest was for a core. busy_beside: how many
    threads of the job that are no workers wanted the cores.
    """
    trial, part = shortened(scenario)
    own = max(1.0, float(trial.program.work_ns))
    share = 1.0 if scenario.machine.one_lock else None
    for_lock_ns = core_wait_ns * min(1.0, lock_part * BEHIND_THE_LOCK)
    allowed = (for_lock_ns + unknown_ns) * part + LEAST_WAIT * own
    if share is not None:
        share = _most(lambda part: _with_share(trial, part).run().core_wait_ns <= allowed)
        trial, scenario = _with_share(trial, share), _with_share(scenario, share)
    wanted = core_wait_ns * part
    if unknown_ns and share is not None:
        own_part = _own_part(trial, wanted, unknown_ns * part)
        wanted += unknown_ns * part * (1 - own_part)
        factor = _less_unknown(trial, own_part, unknown_ns * part)
        trial, scenario = _with_off(trial, factor), _with_off(scenario, factor)
    now = trial.run()
    if now.core_wait_ns < wanted - LEAST_WAIT * own and not _is_lock_full(trial, now.end_ns):
        name = "lock_others" if lock_part > 0.5 and share is not None else "others"
        found = _others(trial, wanted, name)
        trial = _with_others(trial, name, found, busy_beside)
        scenario = _with_others(scenario, name, found, busy_beside)
        missing = wanted - trial.run().core_wait_ns
        if missing > LEAST_WAIT * own:
            more = 1 + missing / _off_ns(trial)
            trial, scenario = _with_off(trial, more), _with_off(scenario, more)
            scenario = replace(scenario, turns=more if name == "lock_others" else 1.0)
    held: float | None = 0.0
    lock_wait = lock_wait_ns * part
    if locking and lock_wait > LEAST_WAIT * own:
        held = _lock_share(trial, locking, lock_wait)
        scenario = _with_lock(scenario, locking, held or 0.0)
    return Calibrated(scenario, share, held)


def shortened(scenario: Scenario, most: int = MOST_TASKS) -> tuple[Scenario, float]:
    """Return a scenario of about the first `most` tasks, and which part of all work they are.

    Tasks from outside are kept with all that they spawn. Where tasks join tasks of another one's
    offspring the program stays whole: a part of such a graph is another graph.
    """
    program = scenario.program
    if len(program.steps) <= most:
        return scenario, 1.0
    spawned = [[n for do, n in steps if do == Do.SPAWN] for steps in program.steps]
    gates, comes = program.gates, program.comes_ns
    outside = sorted(
        program.from_outside(), key=lambda task: (gates.get(task, (0, comes.get(task, 0))), task)
    )
    kept: set[int] = set()
    for task in outside:
        offspring = [task]
        for one in offspring:
            offspring += spawned[one]
        kept.update(offspring)
        if len(kept) >= most:
            break
    order = sorted(kept)
    joined = (n for old in order for do, n in program.steps[old] if do == Do.JOIN)
    if len(order) == len(program.steps) or program.after or not kept.issuperset(joined):
        return scenario, 1.0
    return _part(scenario, order)


def _part(scenario: Scenario, order: list[int]) -> tuple[Scenario, float]:
    """Return the scenario of some tasks, and which part of all work they are."""
    program = scenario.program
    new = {old: place for place, old in enumerate(order)}
    about = (Do.SPAWN, Do.JOIN)
    shorter = Program(
        tuple(
            tuple((do, new[n]) if do in about else (do, n) for do, n in program.steps[old])
            for old in order
        ),
        {new[old]: at for old, at in program.comes_ns.items() if old in new},
        gates={new[old]: gate for old, gate in program.gates.items() if old in new},
        teams=tuple(program.teams[old] for old in order) if program.teams else (),
    )
    kinds = tuple(scenario.kinds[old] for old in order)
    part = shorter.work_ns / max(1, program.work_ns)
    return replace(scenario, program=shorter, kinds=kinds), part


def _with_share(scenario: Scenario, share: float) -> Scenario:
    return replace(scenario, program=with_interpreter_lock(scenario.program, share))


def _is_lock_full(trial: Scenario, end_ns: float) -> bool:
    """Return whether the interpreter lock is held nearly all along: that explains any wait."""
    if not trial.machine.one_lock:
        return False
    held = sum(n for steps in trial.program.steps for do, n in steps if do == Do.LOCKED)
    return held >= FULL * end_ns


def _own_part(trial: Scenario, wait_ns: float, unknown_ns: float) -> float:
    """Return which part of the time off the core without a sign of what for is the tasks' own.

    The least that explains it together with `wait_ns`, which tasks are known to have waited for
    cores and lock: a lock that is always held explains any wait.
    """

    def is_less(part: float) -> bool:
        less = _with_off(trial, _less_unknown(trial, part, unknown_ns))
        all_ns = (wait_ns + unknown_ns) * (1 - LEAST_WAIT)
        return less.run().core_wait_ns + part * unknown_ns < all_ns

    return _most(is_less) if is_less(0.0) else 0.0


def _less_unknown(trial: Scenario, part: float, unknown_ns: float) -> float:
    """Return by what time off the core is multiplied so that `part` of the unknown one is left.

    Declared waits are known, and stay.
    """
    return max(0.0, 1 - (1 - part) * unknown_ns / _off_ns(trial))


def _off_ns(scenario: Scenario) -> int:
    return max(1, sum(n for steps in scenario.program.steps for do, n in steps if do == Do.OFF))


def _with_off(scenario: Scenario, factor: float) -> Scenario:
    """Let all waits of the tasks' own take so many times as long."""
    return replace(scenario, program=with_waits(scenario.program, factor))


def _with_others(scenario: Scenario, name: str, others: float, of_the_job: float = 0.0) -> Scenario:
    machine = scenario.machine
    if name == "others":
        machine = replace(machine, others=others, of_the_job=min(others, of_the_job))
        return replace(scenario, machine=machine)
    return replace(scenario, machine=replace(machine, lock_others=others))


def _most(holds: Callable[[float], bool]) -> float:
    """Return the largest share at which a condition that holds at 0 holds."""
    if holds(1.0):
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _others(trial: Scenario, wanted_ns: float, name: str) -> float:
    """Return how many other threads let tasks wait at most as long as they did."""
    most = MOST_OTHERS * max(1.0, trial.machine.cores)
    return most * _most(
        lambda part: _with_others(trial, name, most * part).run().core_wait_ns <= wanted_ns
    )


def _with_lock(scenario: Scenario, locking: frozenset[int], share: float) -> Scenario:
    inside = [task for task, kind in enumerate(scenario.kinds) if kind in locking]
    return replace(scenario, program=with_lock(scenario.program, inside, share))


def _lock_share(trial: Scenario, locking: frozenset[int], wanted_ns: float) -> float | None:
    def wait(share: float) -> float:
        return _with_lock(trial, locking, share).run().lock_wait_ns

    if wait(1.0) < EXPLAINED * wanted_ns:
        return None
    return _most(lambda share: wait(share) <= wanted_ns)
