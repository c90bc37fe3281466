"""Places in the code of a job where its threads wait or hold a lock, from samples of stacks.

Data only, part of a finding. Shares are from 0 to 1, with their 95 % intervals.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """One frame of a stack."""

    function: str
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class PlaceShareReading:
    """A place where threads were found, and its share of the samples behind it.

    place: the innermost frame of the program's own; without one, of an installed package, and then
    of the standard library; None for a thread without any frame. inside: the innermost frame of
    all, which is what the place waits in or runs; None where it is the place itself. who: whose
    thread it is: a kind of task for threads that wait, a thread for those that hold a lock or feed
    a pool. share, low, high: of the samples of threads that wait or feed, or of the dumps in which
    one waited.
    """

    place: PlaceReading | None
    inside: PlaceReading | None
    who: str
    samples: int
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PlacesReading:
    """Where the threads of a finding wait, and who holds what they wait for.

    dumps: how many dumps found a thread that waited; samples: how many such threads they found in
    all. spacing_s: the mean time between two dumps of the pool's processes. waiting: the places,
    most samples first. holding: who held the lock in how many of the dumps, empty where that is not
    asked or not known; unknown_holder: then why it is not known. missing: why there are no places,
    "" where there are some.
    """

    dumps: int = 0
    samples: int = 0
    spacing_s: float = 0.0
    waiting: tuple[PlaceShareReading, ...] = ()
    holding: tuple[PlaceShareReading, ...] = ()
    unknown_holder: str = ""
    missing: str = ""
