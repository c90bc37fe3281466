"""Puts the comparison of two sides together. Pure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ...model.contrast import ContrastReading, PoolContrast
from .circumstances import circumstances, notes
from .end_to_end import end_to_end
from .kinds import adjusted, kinds, only_in
from .matching import partners
from .split import time_split
from .steals import steal_contrasts
from .verdicts import codes_of, finding_contrasts, promise_contrasts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...model.whatif import Arrivals
    from .runs import PoolRun, Run
    from .verdicts import Codes


def contrast(
    before: Sequence[Run], after: Sequence[Run], arrivals: Arrivals | None = None
) -> ContrastReading:
    """Return how the runs after differ from those before; each side has at least one.

    arrivals: how work came, None to recognise it.
    """
    found = partners(_names(before), _names(after))
    came, values = end_to_end((before, after), found.pairs, arrivals)
    codes = codes_of(before), codes_of(after)
    pools = [_pool(pair, _of(before, pair[0]), _of(after, pair[1]), codes) for pair in found.pairs]
    several = len(before) > 1 or len(after) > 1
    tested = adjusted((pool.kinds for pool in pools), several=several)
    return ContrastReading(
        before=tuple(run.reading.source for run in before),
        after=tuple(run.reading.source for run in after),
        arrivals=came,
        end_to_end=values,
        pools=tuple(replace(pool, kinds=named) for pool, named in zip(pools, tested, strict=True)),
        circumstances=circumstances(before, after, found.pairs),
        only_before=found.only_before,
        only_after=found.only_after,
        notes=notes(before, after),
    )


def _names(side: Sequence[Run]) -> list[str]:
    return [name for run in side for name in run.pools]


def _of(side: Sequence[Run], name: str) -> list[PoolRun]:
    return [run.pools[name] for run in side if name in run.pools]


def _pool(
    pair: tuple[str, str],
    before: Sequence[PoolRun],
    after: Sequence[PoolRun],
    codes: tuple[Codes, Codes],
) -> PoolContrast:
    return PoolContrast(
        name=pair[0],
        name_after=pair[1],
        finished_before=sum(pool.finished for pool in before),
        finished_after=sum(pool.finished for pool in after),
        time=time_split(before, after),
        findings=finding_contrasts(before, after, codes),
        kinds=kinds(before, after),
        promises=promise_contrasts(before, after),
        steals=steal_contrasts(before, after),
        only_before=only_in(before, after),
        only_after=only_in(after, before),
    )
