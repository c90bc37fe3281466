"""From capture files to their comparison: one capture is in memory at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..analysis.comparing import run_of
from ..analysis.contrast.contrasting import contrast
from ..model.errors import NOTHING_TO_WATCH, CommandError
from .opening import read_capture

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ..analysis.contrast.runs import Run
    from ..model.contrast import ContrastReading
    from ..model.reading import Reading
    from ..model.whatif import Arrivals


def compared(
    before: Sequence[str],
    after: Sequence[str],
    seen: Callable[[str, Reading], None],
    arrivals: Arrivals | None = None,
    *,
    causes: bool = True,
) -> ContrastReading:
    """Return the comparison of the captures at some paths with those at others.

    seen: called with each path and its reading. arrivals: how work came, None to recognise it.
    causes: whether changes are simulated, so that findings are causes with gains. Raises
    CommandError, status 3 where a capture holds no pool that could be compared.
    """
    first, second = (
        [read_run(path, seen, causes=causes) for path in side] for side in (before, after)
    )
    return contrast(first, second, arrivals)


def read_run(path: str, seen: Callable[[str, Reading], None], *, causes: bool = True) -> Run:
    """Return what is kept of one capture to compare it with others; see `compared`."""
    ledger, reading = read_capture(path, causes=causes)
    seen(path, reading)
    if reading.source.is_external:
        raise CommandError(
            f"{path}: is of a process without a probe; only recorded pools can be compared",
            NOTHING_TO_WATCH,
        )
    if not reading.pools:
        raise CommandError(f"{path}: no pool with recorded time", NOTHING_TO_WATCH)
    return run_of(ledger, reading)
