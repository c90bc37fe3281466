"""When things happened, for a person: seconds of the run and the local time. Touches no clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

EPOCH = datetime(1970, 1, 1, tzinfo=timezone.utc)


@dataclass(frozen=True, slots=True)
class RunClock:
    """From a timestamp of the monotonic clock to a second of the run, and to the local time.

    zero_ns: the timestamp of second 0, when the job's first process started. wall_ns: the wall
    clock at second 0, in ns since 1970 (UTC); None where it is not known. utc_offset_s, zone: how
    far the local time is ahead of UTC, and what it is called.
    """

    zero_ns: int = 0
    wall_ns: int | None = None
    utc_offset_s: int = 0
    zone: str = ""

    def second(self, timestamp_ns: int) -> float:
        """Return the second of the run; below 0 before the run."""
        return (timestamp_ns - self.zero_ns) / 1e9

    def timestamp_ns(self, second: float) -> int:
        """Return the timestamp of a second of the run."""
        return self.zero_ns + round(second * 1e9)

    @property
    def zone_info(self) -> timezone:
        """The zone of the local time."""
        ahead = timedelta(seconds=self.utc_offset_s)
        return timezone(ahead, self.zone) if self.zone else timezone(ahead)

    def local(self, timestamp_ns: int) -> datetime | None:
        """Return the local time of a timestamp, None where the wall clock is not known."""
        if self.wall_ns is None:
            return None
        wall_us = (self.wall_ns + timestamp_ns - self.zero_ns) // 1000
        return (EPOCH + timedelta(microseconds=wall_us)).astimezone(self.zone_info)

    def timestamp_of(self, local: datetime) -> int | None:
        """Return the timestamp of a time, None where the wall clock is not known.

        A time without a zone is in the zone of the local time.
        """
        if self.wall_ns is None:
            return None
        aware = local if local.tzinfo is not None else local.replace(tzinfo=self.zone_info)
        since = (aware - EPOCH) // timedelta(microseconds=1) * 1000
        return self.zero_ns + since - self.wall_ns


@dataclass(frozen=True, slots=True)
class MarkReading:
    """A mark that a person has set while the job was watched. note: what that person wrote."""

    at_ns: int
    note: str
