"""Adds to the findings of readings where in the code their workers wait.

Pure but for a cache: each dump is looked through once, and the places of a finding are counted anew
only after another dump.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from .in_tasks import Seen, in_tasks
from .of_finding import WAITS, places_of, tells

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ...ledger import Dump, Ledger, PoolLedger
    from ...model.findings import Finding
    from ...model.places import PlacesReading
    from ...model.reading import PoolReading, Reading

REACH_NS = 60_000_000_000
"""The places of a live window are of so long before its end: dumps are seldom."""

MOST_DUMPS = 2000
"""Of more dumps, in a long capture, every second, every third and so on is used."""


@dataclass(slots=True)
class _Known:
    """What is known of one pool: its dumps, by time and process, and the places of findings, by
    code and kind, each with the number and the last of the dumps that they are of."""

    seen: dict[tuple[int, int], Seen] = field(default_factory=dict)
    places: dict[tuple[str, str], tuple[Seen, PlacesReading]] = field(default_factory=dict)


class Places:
    """Adds places to readings of one job, the latest readings last."""

    def __init__(self) -> None:
        self._known: dict[int, _Known] = {}

    def added(self, ledger: Ledger, reading: Reading) -> Reading:
        """Return a reading whose findings name places, as far as stacks were taken."""
        if not ledger.samples.dumps or not reading.pools:
            return reading
        return replace(reading, pools=tuple(self._pool(ledger, pool) for pool in reading.pools))

    def _pool(self, ledger: Ledger, pool: PoolReading) -> PoolReading:
        held = ledger.pools.get(pool.number)
        if held is None or not any(finding.code in WAITS for finding in pool.findings):
            return pool
        begin_ns = min(pool.begin_ns, pool.end_ns - REACH_NS)
        recent = [one for one in ledger.samples.dumps if begin_ns <= one.at_ns <= pool.end_ns]
        recent = recent[:: 1 + len(recent) // MOST_DUMPS]
        known = self._known.setdefault(pool.number, _Known())
        seen = _seen(known, held, [one for one in recent if not one.missing], pool.end_ns)
        missing = _missing(held, recent)
        findings = (_with_places(known, one, pool, seen, missing) for one in pool.findings)
        return replace(pool, findings=tuple(findings))


def _seen(known: _Known, pool: PoolLedger, dumps: Sequence[Dump], end_ns: int) -> list[Seen]:
    """Return the dumps of a pool's processes; only new ones are looked through."""
    new = [dump for dump in dumps if (dump.at_ns, dump.pid) not in known.seen]
    known.seen |= {(one.dump.at_ns, one.dump.pid): one for one in in_tasks(pool, new, end_ns)}
    known.seen = {(dump.at_ns, dump.pid): known.seen[dump.at_ns, dump.pid] for dump in dumps}
    return list(known.seen.values())


def _missing(pool: PoolLedger, recent: Sequence[Dump]) -> str:
    pids = {pool.pid, *(thread.pid for thread in pool.threads.values())} - {-1}
    return next((dump.missing for dump in recent if dump.missing and dump.pid in pids), "")


def _with_places(
    known: _Known, finding: Finding, pool: PoolReading, dumps: Sequence[Seen], missing: str
) -> Finding:
    seen = [one for one in dumps if tells(finding, one)]
    if finding.code not in WAITS or not (seen or missing):
        return finding
    return replace(finding, places=_places(known, finding, pool, seen, missing))


def _places(
    known: _Known, finding: Finding, pool: PoolReading, seen: Sequence[Seen], missing: str
) -> PlacesReading:
    held = known.places.get((finding.code, finding.where))
    if held is not None and seen and held[0] is seen[-1]:
        return held[1]
    spacing_s = 0.0
    if len(seen) > 1:
        spacing_s = (seen[-1].dump.at_ns - seen[0].dump.at_ns) / 1e9 / (len(seen) - 1)
    found = places_of(finding, pool, seen, spacing_s, missing)
    if seen:
        known.places[finding.code, finding.where] = seen[-1], found
    return found
