"""How many workers an open pool needs: how busy they are, how long tasks wait, whether its queue
grows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..formatting import maybe, number_of, seconds, share
from .facts import Column, Section, Table, plain

if TYPE_CHECKING:
    from ...model.whatif import SizingReading, WhatIfPool


def sizing(pool: WhatIfPool) -> Section | None:
    """Return how many workers an open pool needs; None of any other pool."""
    held = pool.sizing
    if held is None:
        return None
    least = held.least_workers
    bound = (
        "cores or interpreter lock cannot carry the tasks, whatever the number of workers"
        if least is None
        else f"with fewer than {number_of(least, 'worker')} the queue grows without end"
    )
    lead = f"workers are in tasks for {share(held.utilisation)} of their time; {bound}"
    waits = (
        ("recorded", held.wait_s),
        ("simulated", held.simulated_wait_s),
        ("M/M/c", held.mmc_wait_s),
        ("Allen-Cunneen", held.allen_cunneen_wait_s),
    )
    rows = tuple((name, maybe(wait)) for name, wait in waits)
    columns = (Column("mean wait from hand-in to begin"), Column("", to_right=True))
    missing = ["–: this formula does not hold here"] if None in dict(waits).values() else []
    sentences = plain(*_wanted(held), *_growth(held))
    return Section(
        "How many workers it needs", lead, (*sentences, Table(columns, rows), *plain(*missing))
    )


def _wanted(held: SizingReading) -> list[str]:
    if held.wanted_p95_s is None:
        return []
    wanted = f"a 95th percentile of {seconds(held.wanted_p95_s)} from hand-in to end"
    if held.workers is None:
        return [f"No number of workers that was tried reaches {wanted}"]
    return [f"The fewest workers that reach {wanted}: {held.workers}"]


def _growth(held: SizingReading) -> list[str]:
    if held.growth_per_s <= 0:
        return []
    grows = f"Now the queue grows by {held.growth_per_s:.3g} tasks a second"
    if held.backlog_hurts_in_s is None:
        return [grows]
    return [
        f"{grows}; in {seconds(held.backlog_hurts_in_s)} that backlog alone lets a task wait as "
        "long as the wanted percentile"
    ]
