"""Going to a moment of a capture: the file read anew up to it, so that going back is no different.

What a reading says depends on all that came before (running numbers of rows, cumulative counts),
so nothing is skipped. Both functions take as long as reading that much of the file does, or until
`stopped` says that nobody waits for them any more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from .feed import HELD_NS, Feed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from ..ingest import CheckedFrame
    from ..ingest.sources.replay import ReplaySource

Moments = dict[tuple[int, str], tuple[int, ...]]
"""When a promise was broken, by the pool's number and the promise's code, in rising order."""

OVERLAP = 0.75
"""Windows begin before the last one ended: blocks are no clock."""
PAST_NS = 240_000_000_000
"""How long before the moment the settled seconds are made that views draw."""
BETWEEN_NS = HELD_NS // 2
"""They are made before what they are made of is forgotten."""


class Stopped(Exception):
    """Nobody waits for the moment any more."""


def _blocks(source: ReplaySource, stopped: Callable[[], bool]) -> Iterator[list[CheckedFrame]]:
    while (frames := source.next_block()) is not None:
        if stopped():
            raise Stopped
        yield frames


def _never() -> bool:
    return False


def feed_at(
    source: ReplaySource,
    window_ns: int | None,
    pool: int,
    timestamp_ns: int,
    stopped: Callable[[], bool] = _never,
) -> Feed:
    """Return a feed over `source`, which has not been drained, played to a moment and paused.

    Its window ends with the first levels of pool number `pool` at or after the moment, or with
    the capture. Raises Stopped once `stopped` returns true.
    """
    feed = Feed(source, window_ns)
    kept_ns = -1
    source.pause(True)
    for frames in _blocks(source, stopped):
        if source.head_ns < timestamp_ns:  # nothing in the block can be as late as that
            feed.take(frames)
        elif (rest := _take_until(feed, frames, pool, timestamp_ns)) is not None:
            source.put_back(rest, feed.ledger.pools[pool].complete_ns)
            break
        latest = feed.ledger.latest_ns
        if latest > timestamp_ns - PAST_NS and latest - kept_ns > BETWEEN_NS:
            feed.extend_history()
            kept_ns = latest
    return feed


def _take_until(
    feed: Feed, frames: list[CheckedFrame], pool: int, timestamp_ns: int
) -> list[CheckedFrame] | None:
    """Take frames until a pool is complete up to a moment; return the rest, None if it is not."""
    for place, frame in enumerate(frames, 1):
        feed.take([frame])
        held = feed.ledger.pools.get(pool)
        if held is not None and held.complete_ns >= timestamp_ns:
            return frames[place:]
    return None


def broken_timestamps(
    source: ReplaySource, window_ns: int, stopped: Callable[[], bool] = _never
) -> Moments:
    """Return when promises were broken by the windows of a whole capture, one after the other.

    `source` has not been drained. A window tells of the first few moments in it, so a long capture
    has some from each of its parts. Raises Stopped once `stopped` returns true.
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
    return {key: tuple(sorted(moments)) for key, moments in found.items()}


def _collect(feed: Feed, found: dict[tuple[int, str], set[int]]) -> None:
    for pool in feed.reading().pools:
        for promise in pool.promises:
            found.setdefault((pool.number, promise.code), set()).update(promise.timestamps_ns)
