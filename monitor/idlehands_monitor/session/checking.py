"""From a capture file to the limits that it keeps or breaks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.verdicts.limits import judged
from ..model.errors import NOTHING_TO_WATCH, CommandError
from .opening import read_capture

if TYPE_CHECKING:
    from ..model.limits import LimitReading, Limits
    from ..model.reading import Reading


def checked(path: str, limits: Limits) -> tuple[Reading, tuple[LimitReading, ...]]:
    """Return the reading of a capture, and each limit for each of its pools.

    Raises CommandError: status 3 where there is no recorded pool, 2 where none has the wanted name.
    """
    _ledger, reading = read_capture(path, causes=limits.needs_causes)
    if reading.source.is_external:
        raise CommandError(
            f"{path}: is of a process without a probe; only recorded pools can be checked",
            NOTHING_TO_WATCH,
        )
    if not reading.pools:
        raise CommandError(f"{path}: no pool with recorded time", NOTHING_TO_WATCH)
    names = dict.fromkeys(pool.name for pool in reading.pools)
    if limits.pool and limits.pool not in names:
        raise CommandError(f"no pool is called {limits.pool}: there is {', '.join(names)}")
    return reading, judged(reading, limits)
