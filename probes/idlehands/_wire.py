"""Frames on the socket and in captures: bytes to maps and back, no I/O.

A frame is a 32-bit little-endian length and then that many bytes of MessagePack (the msgpack
specification), one map with a ``"frame"`` key that names its kind. Kinds:

hello     version, pid, argv0, python, now_ns, wall_ns: first in every stream
names     a pool: pool, name, pool_kind, workers, declared_ns, closed_ns, task_kinds, threads
          [worker, native id, identifier, name, pid], shared_queue (workers join and leave, and
          report no idle intervals), tells_meetings (the pool reports all contention, so none
          reported means that there was none), broken (why it cannot be used), first_dead
          [[pid, exit status or negative signal]] (whose end broke it), steps [[when, step of
          detail]], sampled_by (the column with the moment at which a task's step was chosen)
rows      pool, table, rows (of all parts), parts [[worker, first, rows]]: the workers of the rows,
          one ring's rows after another's; complete_ns, and either columns {name: int64
          little-endian} or words, the packed rows one after the other: each is `skip` integers
          without meaning for a reader and then the columns in the order of the table, int64
          little-endian. Before version 3: worker, first, rows, of one ring only
counters  pool, columns {thief, victim, hits, empties, lost_races: int64 little-endian}: the steal
          attempts of the pairs that had any since the last such frame. Before version 3: worker
          (the thief), hits, empties, lost_races: int64 per victim, since the start
levels    pool, at_ns, inbox, deques, workers (open intervals), misuses, ran (tasks run by each
          worker so far, whether recorded or only counted), spawned (tasks handed in so far, -1
          where the table `spawns` has them); everything up to at_ns was sent before this frame
cost      at_ns, recording_ns, sending_ns: what the probe has cost its process so far;
          pools_dropped: pools that were let go before a reader that was attached had read them
lost      pool, table, worker, rows: overwritten before they could be sent
withdrawn pool: it has turned out to be no pool, so everything received of it is void
bye       reason: the process ends, the probe is switched off, or there are too many readers
from      written by the monitor where it reads a job: pid, the process that the frames after it are
          of, up to the next one; a stream without it is all of one process
host      written by the monitor beside the others: at_ns, threads {native id: on-core ns,
          run-queue ns}, waits {native id: what it was in, as text}, see its sources `host` and
          `waits`;
          once a second also switches {native id: [voluntary, nonvoluntary, block I/O wait ns]},
          -1 where unknown
process   written by the monitor once a second for the process and each worker process: at_ns,
          pid, resident_bytes, minor_faults, major_faults, voluntary_switches,
          nonvoluntary_switches and io_wait_ns (of its present threads), affinity, usable_cores,
          quota_cores, periods, throttled_periods, throttled_ns; -1 where unknown
window    written by the monitor: begin_ns, length_ns: the window that the capture was asked for
mark      written by the monitor: at_ns, note: a person has set a mark at a moment
stacks    written by the monitor where a process has no probe (its hello says sampled: true): one
          process at one moment: at_ns, pid, parent, missing (why the stacks could not be read,
          empty where they were), threads [{pid, native_id, ident, name, owns_lock, wait (as in
          waits, just before), frames [[function, file, line], innermost first, at most 40]}];
          frames of one pid with the same at_ns are one dump

A reader sends nothing, or the byte ``n`` at once: then it is sent hello and names and no more.

A reader skips kinds it does not know and reads keys it knows; a change that such a reader would
misread raises `VERSION`.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import msgpack

from ._packed_rows import fitting

VERSION = 3
NAMES_ONLY = b"n"
"""Sent right after connecting by a peer that wants no rows, only the names of the pools."""
MOST_BYTES = 4 << 20
"""A longer frame is refused unread, so that a broken or hostile peer cannot fill memory."""

_LENGTH = struct.Struct("<I")

Frame = dict[str, Any]


class WireError(ValueError):
    """The peer sent something that is not of this protocol; the message names it."""


class NewerVersion(WireError):
    """The stream was written by a later version of this protocol than the reader knows."""


def encode(frame: Frame) -> bytes:
    """Return one frame as bytes. Raises WireError past `MOST_BYTES`."""
    body: bytes = msgpack.packb(frame, use_bin_type=True, unicode_errors="replace")
    if len(body) > MOST_BYTES:
        raise WireError(f"frame of {len(body)} bytes is over {MOST_BYTES}")
    return _LENGTH.pack(len(body)) + body


def encode_columns(names: Sequence[str], columns: Iterable[Sequence[int]]) -> dict[str, bytes]:
    """Return {name: column as little-endian int64 bytes}; all columns have one length.

    A value that is no 64-bit integer becomes -1: a pool's wrong value costs no other one.
    """
    return {name: _encode_column(column) for name, column in zip(names, columns)}


def _encode_column(column: Sequence[Any]) -> bytes:
    try:
        return struct.pack(f"<{len(column)}q", *column)
    except struct.error:
        return struct.pack(f"<{len(column)}q", *map(fitting, column))


class Decoder:
    """Bytes in, whole frames out; incomplete bytes are kept for the next call."""

    def __init__(self) -> None:
        self._held = bytearray()

    @property
    def held_bytes(self) -> int:
        """How many bytes of an incomplete frame are waiting."""
        return len(self._held)

    def feed(self, data: bytes) -> list[Frame]:
        """Return the frames that `data` completes, in order.

        Raises WireError on a length over `MOST_BYTES`, on bytes that are not MessagePack, and
        on a frame that is not a map with a kind.
        """
        return [frame for frame, _ in self.feed_whole(data)]

    def feed_whole(self, data: bytes) -> list[tuple[Frame, bytes]]:
        """Return what `feed` does, each frame with its own bytes, length included."""
        return [(_parse(memoryview(one)[_LENGTH.size :]), one) for one in self.split(data)]

    def split(self, data: bytes) -> Iterator[bytes]:
        """Yield the bytes of the frames that `data` completes, length included, unparsed.

        Raises WireError on a length over `MOST_BYTES`.
        """
        held = self._held
        held += data
        position = 0
        try:
            while len(held) - position >= _LENGTH.size:
                (length,) = _LENGTH.unpack_from(held, position)
                if length > MOST_BYTES:
                    raise WireError(f"frame of {length} bytes is over {MOST_BYTES}")
                begin, end = position, position + _LENGTH.size + length
                if end > len(held):
                    break
                position = end
                yield bytes(held[begin:end])
        finally:
            del held[:position]


def _parse(body: bytes | memoryview) -> Frame:
    try:
        frame = msgpack.unpackb(body, raw=False, strict_map_key=False)
    except Exception as error:  # msgpack raises ValueError, its own kinds and UnicodeDecodeError
        raise WireError(f"not a MessagePack frame: {error}") from error
    if not isinstance(frame, dict) or not isinstance(frame.get("frame"), str):
        raise WireError("a frame must be a map that names its kind")
    if frame["frame"] == "hello":
        check_version(frame.get("version"))
    return frame


def check_version(version: object) -> None:
    """Raise NewerVersion for a later version than ours, WireError for no version at all."""
    if not isinstance(version, int) or version < 1:
        raise WireError(f"hello without a version: {version!r}")
    if version > VERSION:
        raise NewerVersion(
            f"written by version {version} of the protocol; this idlehands reads up to {VERSION}"
        )
