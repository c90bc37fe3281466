"""All sections of a reading, in the order in which every renderer has them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from .deques import deques
from .external import external_head, external_pool
from .findings import findings
from .graph import graph
from .head import head, marks, skipped
from .host import host
from .job import job, stranded
from .lengths import lengths
from .parking import parking
from .pictures import could_run, course, lanes, queue_course
from .pool import left_out, pool_head, workers
from .prediction import prediction
from .promises import promises
from .queueing import queueing
from .stealing import steals, thieves
from .tasks import tasks
from .time_split import CORE_TIME_NOTES, time_split
from .waits import recorded_waits

if TYPE_CHECKING:
    from ...model.reading import PoolReading, Reading
    from .facts import Picture, Section

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
        _with(time_split(pool.time, pool.core_time, CORE_TIME_NOTES[pool.core_time]), course(pool)),
        recorded_waits(pool),
        findings(pool),
        prediction(pool),
        tasks(pool),
        lengths(pool),
        _with(queueing(pool), queue_course(pool)),
        parking(pool),
        steals(pool, most_groups),
        thieves(pool),
        deques(pool),
        _with(graph(pool.graph), could_run(pool.graph)),
        promises(pool),
        _with(workers(pool), lanes(pool)),
        left_out(pool),
    ]


def _with(section: Section | None, picture: Picture | None) -> Section | None:
    """Return a section with a picture at its end."""
    if section is None or picture is None:
        return section
    return replace(section, parts=(*section.parts, picture))
