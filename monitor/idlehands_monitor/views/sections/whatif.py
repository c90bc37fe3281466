"""What changes would gain: for each pool how work comes, the answers, the curve and the sizing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ...model.whatif import LEAST_GAIN, Arrivals, Unit
from ..curve import axes_of
from ..foreign_text import bounded
from ..formatting import number_of
from ..quantities import gain, interval, quantity
from .facts import Column, Curve, Section, Sentence, Table, Tone, plain
from .head import source_head
from .sizing import sizing

if TYPE_CHECKING:
    from ...model.whatif import (
        AnswerReading,
        CurveReading,
        WhatIfPool,
        WhatIfReading,
    )
    from .facts import Part

LONGEST_SENTENCE = 2000
CHANGE_CELLS = 30
STOPPED = (
    "Stopped before all simulated runs were made: the answers are made of the runs that there are"
)
NO_POOL = "no pool with a finished task"
HOW_WORK_COMES = {
    Arrivals.BATCH: (
        "batch: all tasks are there at first, or come batch after batch; "
        "the answer is the time until the last task ends"
    ),
    Arrivals.CLOSED: (
        "closed: a fixed number of tasks is in flight, and the next task is handed in when one "
        "ends; the answer is how many tasks end in a second"
    ),
    Arrivals.OPEN: (
        "open: tasks come at their own pace, however fast the pool is; the answer is the 95th "
        "percentile of the time from hand-in to end"
    ),
}
BETTER = {
    Unit.SECONDS: "less time",
    Unit.TASKS_PER_S: "more tasks a second",
    Unit.P95_S: "lower",
}


def whatif(reading: WhatIfReading) -> tuple[Section, ...]:
    """Return every section of the answers, in the order in which each renderer has them."""
    said = () if reading.pools else (NO_POOL,)
    said = said if reading.whole else (*said, STOPPED)
    sections = [source_head(reading.source, reading.window_ns, said)]
    for pool in reading.pools:
        sections += pool_sections(pool)
    return tuple(sections)


def pool_sections(pool: WhatIfPool) -> list[Section]:
    """Return the sections of one pool; one that is refused has no answers."""
    found: list[Section | None] = [pool_head(pool)]
    if not pool.refused:
        found += [answers(pool), curve(pool), sizing(pool)]
    found.append(notes(pool))
    return [section for section in found if section is not None]


def pool_head(pool: WhatIfPool) -> Section:
    """Return how work comes into a pool, what was recorded, and what the simulation makes of it."""
    kind = f"{bounded(pool.kind)}, " if pool.kind else ""
    parts: list[Part] = list(plain(f"{kind}{number_of(pool.workers, 'worker')}; {_tasks(pool)}"))
    if pool.recorded:
        parts.append(Sentence(reproduction(pool)))
    strong = f"No answers: {pool.refused}" if pool.refused else headline(pool)
    if strong:
        parts.append(Sentence(bounded(strong, LONGEST_SENTENCE), Tone.STRONG))
    title = f"Pool {bounded(pool.name)}"
    return Section(title, HOW_WORK_COMES[pool.arrivals], tuple(parts), level=2)


def _tasks(pool: WhatIfPool) -> str:
    if pool.tasks < pool.all_tasks:
        return f"the last {pool.tasks:,} of {pool.all_tasks:,} tasks are simulated"
    return f"all {pool.tasks:,} tasks are simulated"


def reproduction(pool: WhatIfPool) -> str:
    """Return what the run came to, what its simulation comes to, and how far they are apart."""
    return (
        f"recorded: {quantity(pool.recorded, pool.unit)}; simulated as it was: "
        f"{quantity(pool.reproduced, pool.unit)}; error {pool.error * 100:.1f} %"
    )


def headline(pool: WhatIfPool) -> str:
    """Return the answer that gains most, or that none gains much; "" without answers."""
    if not pool.answers:
        return ""
    best = _fewest_workers(pool, max(pool.answers, key=lambda answer: answer.gain))
    order = best.change.sentence
    if best.gain <= LEAST_GAIN:
        least = f"{LEAST_GAIN * 100:.0f} %"
        only = "The change" if len(pool.answers) == 1 else "No change"
        verb = "does not gain more than" if len(pool.answers) == 1 else "gains more than"
        most = f" The most is {gain_text(best)}: {order}." if best.gain > 0 else ""
        return f"{only} that was tried {verb} {least}.{most}"
    value = interval(best.low, best.median, best.high, pool.unit)
    unsure = " The interval of the gain reaches down to no gain." if best.gain_low <= 0 else ""
    return (
        f"Best: {order}. This comes to {value}, which is {best.gain * 100:.0f} % "
        f"{BETTER[pool.unit]}.{unsure}"
    )


def _fewest_workers(pool: WhatIfPool, best: AnswerReading) -> AnswerReading:
    """Return the answer with the number of workers that the curve calls best: a few more that gain
    next to nothing are no advice."""
    if pool.curve is None:
        return best
    fewest = pool.curve.best
    wanted = tuple(
        (name, fewest if name == "workers" else value) for name, value in best.change.facts
    )
    return next((answer for answer in pool.answers if answer.change.facts == wanted), best)


def gain_text(answer: AnswerReading) -> str:
    """Return what an answer gains, with its interval."""
    return gain(answer.gain_low, answer.gain, answer.gain_high)


def answers(pool: WhatIfPool) -> Section | None:
    """Return the table of answers, and what they assume, each assumption once."""
    if not pool.answers:
        return None
    numbers = assumption_numbers(pool)
    runs = sorted({answer.seeds for answer in pool.answers})
    order = "best first, " if _is_best_first(pool.answers) else ""
    lead = f"{order}95 % intervals, {_runs(runs)}"
    parts: list[Part] = [answers_table(pool, numbers)]
    if numbers:
        parts.append(Sentence("What the answers assume:"))
    parts += [
        Sentence(bounded(f"[{number}] {text}", LONGEST_SENTENCE), Tone.DETAIL)
        for text, number in numbers.items()
    ]
    return Section("What changes would gain", lead, tuple(parts))


def _runs(runs: list[int]) -> str:
    if len(runs) == 1:
        return number_of(runs[0], "simulated run")
    return f"{runs[0]} to {runs[-1]} simulated runs"


def _is_best_first(held: tuple[AnswerReading, ...]) -> bool:
    gains = [answer.gain for answer in held]
    return len(gains) > 1 and gains == sorted(gains, reverse=True)


def assumption_numbers(pool: WhatIfPool) -> dict[str, int]:
    """Return every assumption of a pool's answers with its number, from 1, in order."""
    every = dict.fromkeys(text for answer in pool.answers for text in answer.assumes)
    return {text: number for number, text in enumerate(every, 1)}


def answers_table(pool: WhatIfPool, numbers: dict[str, int], cells: int = CHANGE_CELLS) -> Table:
    """Return a row for each answer. cells: of the changes in plain text; without numbers of
    assumptions that column is left out."""
    columns = [
        Column("what to change", cells=cells, overhangs=True),
        Column("comes to"),
        Column("gain"),
    ]
    rows = [
        (
            bounded(answer.change.sentence, LONGEST_SENTENCE),
            interval(answer.low, answer.median, answer.high, pool.unit),
            gain_text(answer),
        )
        for answer in pool.answers
    ]
    if not numbers:
        return Table(tuple(columns), tuple(rows))
    assumed = [
        "".join(f"[{numbers[text]}]" for text in answer.assumes) or "–" for answer in pool.answers
    ]
    all_rows = tuple((*row, cell) for row, cell in zip(rows, assumed, strict=True))
    return Table((*columns, Column("assumes")), all_rows)


def curve(pool: WhatIfPool) -> Section | None:
    """Return the curve over numbers of workers: drawn, and as a table unless the answers have it.

    None where there is none, or of one point.
    """
    held = pool.curve
    if held is None or len(held.points) < 2:
        return None
    is_drawn = axes_of(held) is not None
    title = f"Predicted for {held.points[0].workers} to {held.points[-1].workers} workers"
    parts: list[Part] = [Curve(title, held, pool.unit)] if is_drawn else []
    asked = {
        value for answer in pool.answers for name, value in answer.change.facts if name == "workers"
    }
    if not asked.issuperset(point.workers for point in held.points):
        parts.append(curve_table(held, pool.unit))
    parts += plain(*law_sentences(held))
    return Section("Over numbers of workers", curve_lead(held), tuple(parts))


def curve_lead(held: CurveReading) -> str:
    """Return the present and the best number of workers, and the bounds."""
    lead = (
        f"now {number_of(held.present, 'worker')}; the fewest that come within 2 % of the best "
        f"simulated value: {held.best}"
    )
    if held.best == held.points[-1].workers:
        lead += ", the most that were tried"
    if held.work_s is None or held.span_s is None:
        return lead
    work, span = (quantity(value, Unit.SECONDS) for value in (held.work_s, held.span_s))
    return f"{lead}; without waits for each other tasks need T1 {work} and Tinf {span}"


def law_sentences(held: CurveReading) -> list[str]:
    """Return the scalability law that is nearest to a curve; nothing where none was fitted."""
    if held.law is None:
        return []
    found = f"contention {held.law.alpha:.2g}, coherence {held.law.beta:.2g}"
    peak = held.law.peak
    most = "no peak" if peak is None else f"peak at {number_of(round(peak), 'worker')}"
    return [f"The universal scalability law nearest to the curve: {found}, {most}"]


def curve_table(held: CurveReading, unit: Unit) -> Table:
    """Return a row for each number of workers, with the bounds where there are any."""
    columns = [Column("workers", to_right=True), Column("comes to")]
    has_bounds = held.work_s is not None and held.span_s is not None
    if has_bounds:
        columns += [Column("T1/P", to_right=True), Column("greedy bound", to_right=True)]
    columns.append(Column("mark"))
    rows = []
    for point in held.points:
        cells = [str(point.workers), interval(point.low, point.median, point.high, unit)]
        if has_bounds:
            bounds = (held.work_law_s(point.workers), held.greedy_bound_s(point.workers))
            cells += [quantity(value, Unit.SECONDS) for value in bounds if value is not None]
        marks = (("now", held.present), ("best", held.best))
        cells.append(", ".join(name for name, workers in marks if workers == point.workers))
        rows.append(tuple(cells))
    return Table(tuple(columns), tuple(rows))


def notes(pool: WhatIfPool) -> Section | None:
    """Return what is assumed of the run itself; None where nothing is."""
    if not pool.notes:
        return None
    texts = (bounded(text, LONGEST_SENTENCE) for text in pool.notes)
    return Section("What is assumed of the run", parts=plain(*texts))
