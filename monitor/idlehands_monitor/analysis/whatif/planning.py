"""From a question to simulated runs, and from their values to answers.

Pure. `plan` reads the recorded runs once; `Plan.runs` lists what is to be simulated, the most
useful first; `play` simulates one of them, in whichever process; `answers` makes do with those
that have been simulated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING

from ...model import changes as ask
from ...model.whatif import Arrivals, WhatIfPool
from .changing import changed, kind_number
from .joint import joint
from .list_of_changes import all_changes
from .recording import PoolInput, Recording, recording
from .rules import MOST_WORKERS, Taking
from .scenario import value_of
from .sizing import queue_over, sized_by_runs, sizing, supply_of
from .slowing import part_as_before, slowed
from .summing import Asked, pool_answers
from .varying import varied

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ...model.whatif import SizingReading
    from .outcome import Outcome
    from .scenario import Scenario

UNVARIED = 2
"""Where victims are chosen at random, one run in so many is of the recorded tasks."""
CURVE = (1, 2, 4, 8, 16, 32, 64, 128, 256)
"""Numbers of workers on a curve that was not asked for, up to four times the present one."""
FEWEST_SEEDS, MOST_SEEDS = 8, 32
SIMULATED = 600_000
"""So many tasks are simulated in all, where nobody says how many runs a change is to have."""
MOST_TASKS, LISTED_TASKS = 100_000, 20_000
"""The most tasks that are simulated, for one question and for the whole list."""


class WhatIfError(ValueError):
    """A question that cannot be answered; its text is one line for a person."""


@dataclass(frozen=True, slots=True, order=True)
class Run:
    """One simulated run: which pool, which of its variants (0: as it was), which seed."""

    seed: int
    variant: int
    pool: int


@dataclass(frozen=True, slots=True)
class PoolPlan:
    """What is asked of one pool: variant 0 is the run as it was. asked: the others, in order.

    sizing: of an open pool, None for others and with too few tasks. number: of the pool in its
    job, -1 for several pools as one.
    """

    name: str
    kind: str
    made: Recording
    asked: tuple[Asked, ...]
    seeds: int
    sizing: SizingReading | None = None
    number: int = -1

    @property
    def variants(self) -> tuple[ask.Changes, ...]:
        """The changes of each variant."""
        return ((), *(one.changes for one in self.asked))


@dataclass(frozen=True, slots=True)
class Plan:
    """All that is to be simulated."""

    pools: tuple[PoolPlan, ...]
    question: ask.Question

    @property
    def runs(self) -> tuple[Run, ...]:
        """Every run, all variants with the first seed first."""
        every = (
            Run(seed, variant, number)
            for number, pool in enumerate(self.pools)
            for variant in range(len(pool.variants))
            for seed in range(pool.seeds)
        )
        return tuple(sorted(every))


def plan(pools: Sequence[PoolInput], question: ask.Question) -> Plan:
    """Return what to simulate. Raises WhatIfError for a question that cannot be answered."""
    chosen = [pool for pool in pools if question.pool in ("", pool.reading.name)]
    if not chosen:
        names = ", ".join(pool.reading.name for pool in pools)
        if not pools:
            raise WhatIfError("there is no pool with recorded tasks")
        raise WhatIfError(f"no pool is called {question.pool}: there is {names}")
    together = any(isinstance(change, ask.OnePool) for one in question.changes for change in one)
    listed = not question.changes and not question.workers
    most = question.most_tasks or (LISTED_TASKS if listed else MOST_TASKS)
    recordings = [
        (pool, made)
        for pool in chosen
        if (made := recording(pool, question.arrivals, most)) is not None
    ]
    if not recordings:
        raise WhatIfError("no task began and ended in what was recorded")
    if together:
        if len(recordings) < 2:
            raise WhatIfError("there is only one pool with tasks: it cannot be made one")
        return Plan((_together(recordings, question),), question)
    found = tuple(_pool_plan(pool, made, question) for pool, made in recordings)
    if len(recordings) > 1 and listed:
        return Plan((*found, _together(recordings, question)), question)
    return Plan(found, question)


def _together(
    recordings: Sequence[tuple[PoolInput, Recording]], question: ask.Question
) -> PoolPlan:
    names = " + ".join(pool.reading.name for pool, _ in recordings)
    kinds = sorted({pool.reading.kind for pool, _ in recordings})
    made = joint([made for _, made in recordings], question.arrivals)
    changes = question.changes or ((ask.OnePool(),),)
    asked = tuple(Asked(one) for one in changes)
    return PoolPlan(
        names, ", ".join(kinds), made, asked, _seeds(made.scenario, len(asked), question)
    )


def _pool_plan(pool: PoolInput, made: Recording, question: ask.Question) -> PoolPlan:
    scenario = made.scenario
    asked: list[Asked] = []
    if question.workers:
        base = question.changes[0] if question.changes else ()
        asked = [Asked((*base, ask.Workers(n)), workers=n) for n in question.workers]
    elif question.changes:
        asked = [Asked(one) for one in question.changes]
    else:
        asked = [Asked(one) for one in all_changes(scenario, with_curve=True)]
        asked += [Asked((one,)) for one in _as_before(pool, made)]
        asked += [Asked((ask.Workers(n),), workers=n) for n in _curve(scenario.workers)]
    for one in asked:
        _check(one.changes, scenario)
    seeds = _seeds(scenario, len(asked), question)
    sized = _sizing(pool, made, question.p95_s)
    reading = pool.reading
    return PoolPlan(reading.name, reading.kind, made, tuple(asked), seeds, sized, reading.number)


def _as_before(pool: PoolInput, made: Recording) -> list[ask.AsBefore]:
    """Return the change that undoes what made tasks slower, where something did."""
    found = slowed(pool.ledger, pool.reading)
    if found is None:
        return []
    held = made.held
    of_kind = held.kind == pool.ledger.task_kinds.index(found.kind)
    lengths = (held.ended_ns - held.started_ns) / 1e9
    factor = part_as_before(found, of_kind, held.started_ns, lengths)
    return [ask.AsBefore(found.kind, factor, found.since_ns, found.before_s, found.after_s)]


def _sizing(pool: PoolInput, made: Recording, wanted_s: float | None) -> SizingReading | None:
    """Return how many workers an open pool needs. Raises WhatIfError where it is not open."""
    reading, scenario = pool.reading, made.scenario
    if scenario.arrivals is not Arrivals.OPEN:
        if wanted_s is not None:
            raise WhatIfError(
                f"tasks of {reading.name} do not come at their own pace ({scenario.arrivals}): "
                "a percentile can be wanted of an open stream, see --arrivals"
            )
        return None
    if reading.queueing is None:
        return None
    return sizing(
        reading.queueing,
        queue_over(pool.ledger, *_while_handed_in(pool, made)),
        supply_of(scenario),
        sized_by_runs(scenario, made.value, wanted_s),
        spawning=bool((made.held.parent >= 0).any()),
    )


def _while_handed_in(pool: PoolInput, made: Recording) -> tuple[int, int]:
    """Return from when to when tasks came: what is left then is run whatever the load is."""
    came = made.held.came_ns[made.held.outside]
    last = int(came.max())
    if pool.ledger.shared_queue:  # there every spawn is from outside, also of what never ran
        last = max(last, int(pool.ledger.spawns["spawned_ns"].max(initial=last)))
    return max(pool.reading.begin_ns, int(came.min())), min(pool.reading.end_ns, last)


def _curve(present: int) -> list[int]:
    return sorted({n for n in (*CURVE, present, present * 2, present * 4) if n <= 4 * present})


def _seeds(scenario: Scenario, variants: int, question: ask.Question) -> int:
    if question.seeds is not None:
        return question.seeds
    fitting = SIMULATED // max(1, len(scenario.kinds) * (variants + 1))
    return max(FEWEST_SEEDS, min(MOST_SEEDS, fitting))


def _check(changes: ask.Changes, scenario: Scenario) -> None:
    """Raise WhatIfError for changes that cannot be made to this run."""
    for change in changes:
        if isinstance(change, ask.Workers) and not 1 <= change.number <= MOST_WORKERS:
            raise WhatIfError(
                f"{change.number} workers cannot be simulated: 1 to {MOST_WORKERS} can"
            )
        if isinstance(change, ask.KindTime | ask.KindWait):
            try:
                kind_number(scenario.names, change.kind)
            except ValueError as error:
                raise WhatIfError(str(error)) from error


def play(plan: Plan, run: Run) -> float:
    """Simulate one run; return what it comes to, in the unit of its pool's arrivals.

    NaN where tasks would wait for each other for ever.
    """
    pool = plan.pools[run.pool]
    scenario = varied(pool.made.scenario, _draw(pool.made.scenario, run.seed))
    scenario = changed(scenario, pool.variants[run.variant])
    try:
        outcome = scenario.run(run.seed)
    except ValueError:
        return float("nan")
    return _in_its_unit(pool.made.scenario, scenario, outcome)


def _in_its_unit(before: Scenario, scenario: Scenario, outcome: Outcome) -> float:
    """Return what a run comes to in the unit, and for tasks a second in the tasks, of before."""
    value = value_of(replace(scenario, arrivals=before.arrivals), outcome)
    if before.arrivals is Arrivals.CLOSED:
        pieces, tasks = (len(one.program.from_outside()) for one in (scenario, before))
        return value * tasks / pieces
    return value


def _draw(scenario: Scenario, seed: int) -> int:
    """Return the seed with which tasks are drawn again, 0 for the recorded ones."""
    by_chance = any(team.rules.taking is Taking.DEQUES for team in scenario.teams)
    return 0 if by_chance and seed % UNVARIED == 0 else seed


def answers(plan: Plan, values: Mapping[Run, float]) -> tuple[tuple[WhatIfPool, ...], bool]:
    """Return the answers of each pool from the runs that were made, and whether all were."""
    pools = []
    for number, pool in enumerate(plan.pools):
        by_variant = [
            [values.get(Run(seed, variant, number)) for seed in range(pool.seeds)]
            for variant in range(len(pool.variants))
        ]
        fixed = [seed for seed in range(pool.seeds) if _draw(pool.made.scenario, seed) == 0]
        pools.append(
            replace(
                pool_answers(pool.name, pool.kind, pool.made, pool.asked, by_variant, fixed),
                sizing=pool.sizing,
                number=pool.number,
            )
        )
    missing = any(run not in values for run in chain(plan.runs))
    return tuple(pools), not missing
