"""Parts of an archive: rectangles of stations x days, and how an archive is cut into them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from .archive import ArchiveShape


class Rectangle(NamedTuple):
    """Stations and days of a part of the archive; the upper ends do not belong to it."""

    first_station: int
    end_station: int
    first_day: int
    end_day: int

    @property
    def station_days(self) -> int:
        """Number of station-days in it."""
        return (self.end_station - self.first_station) * (self.end_day - self.first_day)

    def halves(self) -> tuple[Rectangle, Rectangle]:
        """Cut the longer side in the middle."""
        if self.end_station - self.first_station > self.end_day - self.first_day:
            middle = (self.first_station + self.end_station) // 2
            return self._replace(end_station=middle), self._replace(first_station=middle)
        middle = (self.first_day + self.end_day) // 2
        return self._replace(end_day=middle), self._replace(first_day=middle)


def days(shape: ArchiveShape) -> Iterator[Rectangle]:
    """Cut the archive into its days."""
    for day in range(shape.days):
        yield Rectangle(0, shape.stations, day, day + 1)


def single_station_days(shape: ArchiveShape) -> Iterator[Rectangle]:
    """Cut the archive into its station-days, day by day."""
    for part in days(shape):
        yield from singles(part)


def singles(part: Rectangle) -> Iterator[Rectangle]:
    """Cut a part into its station-days, station by station."""
    for station in range(part.first_station, part.end_station):
        for day in range(part.first_day, part.end_day):
            yield Rectangle(station, station + 1, day, day + 1)
