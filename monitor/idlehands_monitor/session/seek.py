"""Going to a timestamp of a capture, and finding the timestamps that are worth going to.

A reading depends on all that came before (running numbers of rows, cumulative counts), so a jump
reads the file from its beginning, or from a checkpoint that an earlier pass has left. Going back
gives the same reading as going forward.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .checkpoints import Checkpoints
from .feed import Feed
from .forward_pass import ForwardPass, Stopped
from .machine import MACHINE, Machine
from .recorded_run import BEGINNING_NS
from .replay import Replay

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..ingest import CheckedFrame
    from ..ledger import Mark
    from ..model.reading import PoolReading

Timestamps = dict[tuple[int, str], tuple[int, ...]]
"""When a promise was broken, by the pool's number and the promise's code: in ns, rising."""

OVERLAP = 0.75
"""A window begins this long before the end of the previous one: blocks do not come at even
times."""
HISTORY_NS = 240_000_000_000
"""Views draw settled seconds; they are computed from this long before the timestamp on."""
LATEST_NS = 2_000_000_000
"""Reading goes on at most so long past the timestamp for a pool that sends nothing."""


def _never() -> bool:
    return False


def feed_at(
    source: Replay,
    window_ns: int | None,
    pool: int,
    timestamp_ns: int,
    stopped: Callable[[], bool] = _never,
    machine: Machine = MACHINE,
    checkpoints: Checkpoints | None = None,
) -> Feed:
    """Return a feed over `source`, which has not been drained, played to a timestamp and paused.

    Its window ends with the first levels of pool number `pool` at or after the timestamp, or of any
    pool where that one is not there; or with the capture. checkpoints: where reading may begin, and
    may be begun later. Raises Stopped once `stopped` returns true.
    """
    feed = Feed(source, window_ns, machine=machine)
    left = Checkpoints() if checkpoints is None else checkpoints
    going = ForwardPass(feed, source, timestamp_ns - HISTORY_NS, left, stopped)
    source.pause(True)
    going.resume(timestamp_ns)
    for frames in going.blocks():
        if source.head_ns < timestamp_ns:  # nothing in the block can be as late as that
            feed.take(frames)
        elif (rest := _take_until(feed, frames, pool, timestamp_ns)) is not None:
            source.put_back(rest, _complete_ns(feed, pool))
            break
        elif source.head_ns > timestamp_ns + LATEST_NS:
            break
    return feed


def _take_until(
    feed: Feed, frames: list[CheckedFrame], pool: int, timestamp_ns: int
) -> list[CheckedFrame] | None:
    """Take frames until a pool is complete up to a timestamp; return the rest, None if it never
    is."""
    for place, frame in enumerate(frames, 1):
        feed.take([frame])
        if _complete_ns(feed, pool) >= timestamp_ns:
            return frames[place:]
    return None


def _complete_ns(feed: Feed, pool: int) -> int:
    """Return up to when a pool is complete; any pool, where that one is not open."""
    held = feed.ledger.pools.get(pool)
    return feed.ledger.latest_ns if held is None or held.closed_ns >= 0 else held.complete_ns


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of windows, one after the other, in each of which a pool had a finding.

    at_ns: the end of the first of these windows. end_ns: the end of the last.
    """

    pool: int
    name: str
    code: str
    sentence: str
    at_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Landmarks:
    """What there is to go to in a capture.

    broken: see `Timestamps`. findings: in the order of time. what: the promises by their codes.
    """

    broken: Timestamps = field(default_factory=dict)
    findings: tuple[Stretch, ...] = ()
    marks: tuple[Mark, ...] = ()
    what: dict[str, str] = field(default_factory=dict)


def landmarks(
    source: Replay,
    window_ns: int,
    stopped: Callable[[], bool] = _never,
    checkpoints: Checkpoints | None = None,
) -> Landmarks:
    """Return what there is to go to, window after window of a whole capture.

    `source` has not been drained. A reading names the first few timestamps of its window at which a
    promise was broken, so a long capture has some from each of its parts. Findings are those of
    each window, without simulated gains. Raises Stopped once `stopped` returns true.
    """
    feed = Feed(source, window_ns)
    left = Checkpoints() if checkpoints is None else checkpoints
    found = _Found()
    read_ns = -1
    for frames in ForwardPass(feed, source, BEGINNING_NS, left, stopped).blocks():
        feed.take(frames)
        latest = feed.ledger.latest_ns
        if read_ns < 0 or latest < read_ns:  # the first job of the capture, or another one
            read_ns = latest
        if latest - read_ns >= window_ns * OVERLAP:
            read_ns = latest
            found.collect(feed.reading().pools)
    found.collect(feed.reading().pools)
    broken = {key: tuple(sorted(timestamps)) for key, timestamps in found.broken.items()}
    return Landmarks(broken, tuple(found.findings), tuple(feed.ledger.marks), found.what)


class _Found:
    """What the windows so far had."""

    def __init__(self) -> None:
        self.broken: dict[tuple[int, str], set[int]] = {}
        self.what: dict[str, str] = {}
        self.findings: list[Stretch] = []
        self._last: dict[tuple[int, str], int] = {}  # the places of those of the last window

    def collect(self, pools: tuple[PoolReading, ...]) -> None:
        """Add what the next window has."""
        going_on: dict[tuple[int, str], int] = {}
        for pool in pools:
            for promise in pool.promises:
                timestamps = self.broken.setdefault((pool.number, promise.code), set())
                timestamps.update(promise.timestamps_ns)
                self.what[promise.code] = promise.what
            for finding in pool.findings:
                key = pool.number, finding.code
                place = self._last.get(key, len(self.findings))
                begin = self.findings[place].at_ns if key in self._last else pool.end_ns
                found = Stretch(*key[:1], pool.name, *key[1:], finding.sentence, begin, pool.end_ns)
                self.findings[place : place + 1] = [found]
                going_on[key] = place
        self._last = going_on


__all__ = ["Landmarks", "Replay", "Stopped", "Stretch", "Timestamps", "feed_at", "landmarks"]
