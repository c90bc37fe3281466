"""All sections of a reading, in the order in which every renderer has them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .deques import deques
from .external import external_head, external_pool
from .findings import findings
from .graph import graph
from .head import head, marks, skipped
from .host import host
from .job import job, stranded
from .parking import parking
from .pool import left_out, pool_head, workers
from .promises import promises
from .queueing import queueing
from .stealing import steals, thieves
from .tasks import tasks
from .time_split import CORE_TIME_NOTES, time_split
from .waits import recorded_waits

if TYPE_CHECKING:
    from ...model.reading import PoolReading, Reading
    from .facts import Section

MOST_GROUPS = 16
"""The most rows of a matrix in plain text; workers of a larger pool are grouped."""


def report(reading: Reading, most_groups: int = MOST_GROUPS) -> tuple[Section, ...]:
    """Return every section that says something; `most_groups`: of the workers in a matrix."""
    sections = [head(reading), skipped(reading), marks(reading), host(reading)]
    sections.append(external_head(reading))
    for external in reading.external:
        sections += external_pool(external)
    sections.append(job(reading))
    for pool in reading.pools:
        sections += _pool(pool, reading, most_groups)
    sections.append(stranded(reading))
    return tuple(section for section in sections if section is not None)


def _pool(pool: PoolReading, reading: Reading, most_groups: int) -> list[Section | None]:
    return [
        pool_head(pool, reading),
        time_split(pool.time, pool.core_time, CORE_TIME_NOTES[pool.core_time]),
        recorded_waits(pool),
        findings(pool),
        tasks(pool),
        queueing(pool),
        parking(pool),
        steals(pool, most_groups),
        thieves(pool),
        deques(pool),
        graph(pool.graph),
        promises(pool),
        workers(pool),
        left_out(pool),
    ]
