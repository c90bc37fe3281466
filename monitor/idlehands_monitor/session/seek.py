"""Going to a timestamp of a capture: the file is read from its beginning to that timestamp.

A reading depends on all that came before (running numbers of rows, cumulative counts), so nothing
is skipped, and going back gives the same reading as going forward. Both functions take as long as
reading that part of the file takes, or end early when `stopped` returns true.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

from ..ingest.sources.status import Source
from .feed import HELD_NS, Feed
from .machine import MACHINE, Machine

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from ..ingest import CheckedFrame

Timestamps = dict[tuple[int, str], tuple[int, ...]]
"""When a promise was broken, by the pool's number and the promise's code: in ns, rising."""

OVERLAP = 0.75
"""A window begins this long before the end of the previous one: blocks do not come at even
times."""
HISTORY_NS = 240_000_000_000
"""Views draw settled seconds; they are computed from this long before the timestamp on."""
BETWEEN_NS = HELD_NS // 2
"""Settled seconds are computed this often, before the feed forgets their rows."""


class Stopped(Exception):
    """Nobody waits for the timestamp any more."""


@runtime_checkable
class Replay(Source, Protocol):
    """A source whose frames can be read again from the beginning, block by block."""

    @property
    def first_ns(self) -> int:
        """When the first block was closed: where the capture begins."""

    @property
    def head_ns(self) -> float:
        """Up to when the capture has been played."""

    def again(self) -> Replay:
        """Return another replay of the same capture from its beginning. Raises CaptureError."""

    def next_block(self) -> list[CheckedFrame] | None:
        """Return the next frames, all of one block; None at the end."""

    def put_back(self, frames: list[CheckedFrame], head_ns: int) -> None:
        """Take back the last frames that were returned; the playhead is then at `head_ns`."""

    def play_all(self) -> None:
        """Have the next drain bring everything that is left."""


def _blocks(source: Replay, stopped: Callable[[], bool]) -> Iterator[list[CheckedFrame]]:
    while (frames := source.next_block()) is not None:
        if stopped():
            raise Stopped
        yield frames


def _never() -> bool:
    return False


def feed_at(
    source: Replay,
    window_ns: int | None,
    pool: int,
    timestamp_ns: int,
    stopped: Callable[[], bool] = _never,
    machine: Machine = MACHINE,
) -> Feed:
    """Return a feed over `source`, which has not been drained, played to a timestamp and paused.

    Its window ends with the first levels of pool number `pool` at or after the timestamp, or with
    the capture. Raises Stopped once `stopped` returns true.
    """
    feed = Feed(source, window_ns, machine=machine)
    computed_ns = -1
    source.pause(True)
    for frames in _blocks(source, stopped):
        if source.head_ns < timestamp_ns:  # nothing in the block can be as late as that
            feed.take(frames)
        elif (rest := _take_until(feed, frames, pool, timestamp_ns)) is not None:
            source.put_back(rest, feed.ledger.pools[pool].complete_ns)
            break
        latest = feed.ledger.latest_ns
        if latest > timestamp_ns - HISTORY_NS and latest - computed_ns > BETWEEN_NS:
            feed.extend_history()
            computed_ns = latest
    return feed


def _take_until(
    feed: Feed, frames: list[CheckedFrame], pool: int, timestamp_ns: int
) -> list[CheckedFrame] | None:
    """Take frames until a pool is complete up to a timestamp; return the rest, None if it never
    is."""
    for place, frame in enumerate(frames, 1):
        feed.take([frame])
        held = feed.ledger.pools.get(pool)
        if held is not None and held.complete_ns >= timestamp_ns:
            return frames[place:]
    return None


def broken_timestamps(
    source: Replay, window_ns: int, stopped: Callable[[], bool] = _never
) -> Timestamps:
    """Return when promises were broken, window after window of a whole capture.

    `source` has not been drained. A reading names the first few timestamps of its window, so a long
    capture has some from each of its parts. Raises Stopped once `stopped` returns true.
    """
    feed = Feed(source, window_ns)
    found: dict[tuple[int, str], set[int]] = {}
    read_ns = -1
    for frames in _blocks(source, stopped):
        feed.take(frames)
        latest = feed.ledger.latest_ns
        if read_ns < 0 or latest < read_ns:  # the first job of the capture, or another one
            read_ns = latest
        if latest - read_ns >= window_ns * OVERLAP:
            read_ns = latest
            _collect(feed, found)
    _collect(feed, found)
    return {key: tuple(sorted(timestamps)) for key, timestamps in found.items()}


def _collect(feed: Feed, found: dict[tuple[int, str], set[int]]) -> None:
    for pool in feed.reading().pools:
        for promise in pool.promises:
            found.setdefault((pool.number, promise.code), set()).update(promise.timestamps_ns)
