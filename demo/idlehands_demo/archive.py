"""An invented tide-gauge archive of an invented harbour authority, with its planted truth.

Nothing here was measured anywhere. A fixed seed yields a few days of sea level, each with spikes
planted at known places, compressed and stored under a checksum; every station-day of the archive is
one of these days, shifted by a datum of its own. The totals that a correct evaluation must find are
computed from the curves before the spikes are added, by code that shares nothing with the code that
reads the archive.

Units: sea level in millimetres (int16), delays in seconds.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .plan import TAPE_DELAY, Plan

HIGH_WATER_MM = 1500
"""A sample that is this far above its station's datum counts as high water."""

LEAST_SAMPLES = 1440
"""With fewer samples a day the tide itself moves as fast as a spike."""

LONGEST_DELAY = 6.0
"""Uneven delays are cut off at this many means, so that a pass can be ended promptly."""

LONGER_DAY, LONGER_TAPE = 0.3, 0.02
"""Other delays: those of one day are up to the first part of the mean shorter or longer, and each
tape of a day up to the second part of that. So the tapes of a batch come nearly together."""

NOTHING_MM = 1 << 30


@dataclass(frozen=True)
class Totals:
    """The totals of the archive or of a part of it. Levels in mm; the rest are counts."""

    station_days: int = 0
    damaged: int = 0
    spikes: int = 0
    kept: int = 0
    sum_mm: int = 0
    lowest_mm: int = NOTHING_MM
    highest_mm: int = -NOTHING_MM
    high_water: int = 0

    @property
    def mean_mm(self) -> float:
        """Mean level of the samples kept, NaN without any."""
        return self.sum_mm / self.kept if self.kept else float("nan")

    def merged(self, other: Totals) -> Totals:
        """Return the totals of both parts together."""
        return Totals(
            self.station_days + other.station_days,
            self.damaged + other.damaged,
            self.spikes + other.spikes,
            self.kept + other.kept,
            self.sum_mm + other.sum_mm,
            min(self.lowest_mm, other.lowest_mm),
            max(self.highest_mm, other.highest_mm),
            self.high_water + other.high_water,
        )


@dataclass(frozen=True)
class ArchiveShape:
    """Size of an archive: `stations` x `days`, `samples` a day, `blocks` distinct days.

    `damaged` of the blocks carry a wrong checksum; `tape_delay` is the mean wait for a tape in
    seconds, about as long for all tapes of a day or, if `uneven`, exponentially distributed; those
    of `long_station` take `long_factor` times as long. `failing` is the share of readings that
    fail. Raises `ValueError` for impossible sizes.
    """

    stations: int = 4
    days: int = 160
    samples: int = 1440
    blocks: int = 48
    damaged: int = 2
    tape_delay: float = TAPE_DELAY
    uneven: bool = False
    long_station: int = 0
    long_factor: float = 1.0
    failing: float = 0.0

    def __post_init__(self) -> None:
        if min(self.stations, self.days) < 1 or not 0 <= self.damaged < self.blocks:
            raise ValueError("an archive has stations, days and at least one sound block")
        if self.samples < LEAST_SAMPLES:
            raise ValueError(f"a day has at least {LEAST_SAMPLES} samples, not {self.samples}")


def shape_of(plan: Plan) -> ArchiveShape:
    """Return the size of the archive that a plan is for."""
    return ArchiveShape(
        stations=plan.stations,
        days=plan.days,
        tape_delay=TAPE_DELAY * plan.delay_factor,
        uneven=plan.uneven,
        long_station=plan.long_station,
        long_factor=plan.long_factor,
        failing=plan.failing,
    )


@dataclass(frozen=True)
class Block:
    """One stored day: `packed` is zlib data of int16 samples, `checksum` their CRC-32."""

    packed: bytes
    checksum: int


@dataclass(frozen=True)
class Archive:
    """The archive: `blocks`, and per station and day (arrays of shape stations x days).

    `block_of` is the index of its block, `datum` the shift in mm, `delay` the wait for
    its tape in seconds, `failures` how often reading it fails; `expected` is the planted truth.
    """

    shape: ArchiveShape
    blocks: list[Block]
    block_of: NDArray[np.int64]
    datum: NDArray[np.int64]
    delay: NDArray[np.float64]
    failures: NDArray[np.int64]
    expected: Totals


def make_archive(shape: ArchiveShape, seed: int) -> Archive:
    """Make the archive of `seed`; the same seed and shape always give the same one."""
    generator = np.random.default_rng([seed, 0])
    blocks: list[Block] = []
    truths: list[Totals] = []
    for number in range(shape.blocks):
        block, truth = _make_block(generator, shape.samples, damaged=number < shape.damaged)
        blocks.append(block)
        truths.append(truth)
    size = (shape.stations, shape.days)
    block_of = generator.integers(0, shape.blocks, size=size)
    datum = generator.integers(-400, 401, size=size)
    # Drawn here for every station-day, so that no schedule can change a wait.
    if shape.uneven:
        delay = np.minimum(generator.exponential(size=size), LONGEST_DELAY)
    else:
        delay = _about_one(generator, LONGER_DAY, (1, shape.days))
        delay = delay * _about_one(generator, LONGER_TAPE, size)
    delay[shape.long_station] *= shape.long_factor
    failures = generator.geometric(1.0 - shape.failing, size=size) - 1
    expected = _expect(truths, block_of, datum)
    return Archive(shape, blocks, block_of, datum, delay * shape.tape_delay, failures, expected)


def _about_one(
    generator: np.random.Generator, deviation: float, size: tuple[int, int]
) -> NDArray[np.float64]:
    return generator.uniform(1.0 - deviation, 1.0 + deviation, size=size)


def _make_block(
    generator: np.random.Generator, samples: int, damaged: bool
) -> tuple[Block, Totals]:
    hours = np.arange(samples) * (24.0 / samples)
    phases = generator.uniform(0.0, 2.0 * np.pi, size=2)
    # The principal lunar and solar tides, 12.42 h and 12 h, and a little swell.
    curve = 1800.0 * np.sin(2.0 * np.pi * hours / 12.42 + phases[0])
    curve += 500.0 * np.sin(2.0 * np.pi * hours / 12.0 + phases[1])
    clean = np.rint(curve).astype(np.int64) + generator.integers(-8, 9, size=samples)
    # At least 20 samples apart, so that no spike hides in the shadow of another.
    slots = generator.choice(samples // 40, size=int(generator.integers(1, 7)), replace=False)
    places = slots * 40 + generator.integers(10, 30, size=len(slots))
    heights = generator.integers(700, 2000, size=len(slots))
    stored = clean.copy()
    stored[places] += heights * generator.choice([-1, 1], size=len(slots))
    raw = stored.astype("<i2").tobytes()
    block = Block(zlib.compress(raw, 1), zlib.crc32(raw) ^ int(damaged))
    if damaged:
        return block, Totals(station_days=1, damaged=1)
    kept = np.delete(clean, places)
    truth = Totals(
        station_days=1,
        spikes=len(slots),
        kept=len(kept),
        sum_mm=int(kept.sum()),
        lowest_mm=int(kept.min()),
        highest_mm=int(kept.max()),
        high_water=int((kept > HIGH_WATER_MM).sum()),
    )
    return block, truth


def _expect(truths: list[Totals], block_of: NDArray[Any], datum: NDArray[Any]) -> Totals:
    """Sum the planted truth up over all station-days, in exact integers."""

    def of(name: str) -> NDArray[np.int64]:
        values = np.array([getattr(truth, name) for truth in truths], dtype=np.int64)
        return np.take(values, block_of)

    sound = of("damaged") == 0
    kept = of("kept")
    lowest = (of("lowest_mm") + datum)[sound]
    highest = (of("highest_mm") + datum)[sound]
    return Totals(
        station_days=int(block_of.size),
        damaged=int((~sound).sum()),
        spikes=int(of("spikes").sum()),
        kept=int(kept.sum()),
        sum_mm=int((of("sum_mm") + kept * datum).sum()),
        lowest_mm=int(lowest.min()) if lowest.size else NOTHING_MM,
        highest_mm=int(highest.max()) if highest.size else -NOTHING_MM,
        high_water=int(of("high_water").sum()),
    )
