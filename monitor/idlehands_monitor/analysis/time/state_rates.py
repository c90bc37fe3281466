"""Estimates the states of thread time (on a core, waiting for one, blocked) by kind of task.

Pure. For each interval between two samples of a thread, the kernel reports the time on a core and
in a run queue, and the rows give the time in tasks of each kind and out of tasks. The unknown is
the table between these two margins. It is estimated with the rates of each kind, which are its
shares of time in each state. An interval is filled in by the rates and then fitted to both of its
margins (iterative proportional fitting; W. E. Deming, F. F. Stephan 1940, "On a least squares
adjustment of a sampled frequency table when the expected marginal totals are known", Ann. Math.
Statist. 11(4):427-444); the rates are those with which the filled-in tables agree (the EM
algorithm; A. P. Dempster, N. M. Laird, D. B. Rubin 1977, J. R. Statist. Soc. B 39(1):1-38). On-core
time that was read with a task is known, and stays with its kind. If all intervals hold the same
mixture of kinds, they cannot distinguish the kinds; samples of the threads can, and count, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...model.arrays import Float, Int64

if TYPE_CHECKING:
    from collections.abc import Sequence

ON, QUEUED, OFF = range(3)
"""The states: on a core, in a run queue, off the core by its own doing."""
UNKNOWN_KIND, BETWEEN, PARKED, FIRST_KIND = range(4)
"""The columns of a table: a task of unknown kind, between tasks, parked or in a recorded wait; then
follow the kinds of task."""
START = ((0.45, 0.1, 0.45), (0.84, 0.15999, 0.00001), (0.001, 0.004, 0.995), (0.45, 0.1, 0.45))
"""The first rates. They decide only what neither margins nor samples do: that a thread needs a core
between tasks, and none while it is parked."""
START_NS = 1e6
"""The weight of the first rates, so that no rate is ever exactly 0."""
SAMPLE_NS = 25e6
"""The weight of a sample of a thread's state: about as long as a state lasts. More would be biased,
since a monitor that waits for a core itself samples when fewer threads want one."""
ROUNDS, MORE_ROUNDS, FITS, FITS_BEFORE, ENOUGH = 200, 8, 15, 3, 1e-5
"""At most `ROUNDS` from the first rates, or `MORE_ROUNDS` from those of a second ago; fewer once a
round changes no rate by `ENOUGH`. `FITS` at the end, `FITS_BEFORE` before the first round."""
LEAST_FACTOR = 1e-12
MOST_PIECES, TOGETHER = 4096, 16
"""So many pieces are enough for the rates; of more, some runs of `TOGETHER` intervals are used."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """Thread time of a stretch, in pieces: one for each interval and column.

    Shape (pieces,): interval, worker, column (see `UNKNOWN_KIND`), ns; read_ns, the part of ns in
    tasks whose on-core time was read, and cpu_ns, that on-core time. Shape (intervals, 2):
    reported, on-core and run-queue ns from the kernel, NaN where no sample covers the interval.
    Shape (intervals,): late, the most run-queue ns that the kernel may have counted in the next
    interval, 0 without one. Shape (columns, 2): samples, how many found a thread in each column
    (able to run, blocked).
    """

    interval: Int64
    worker: Int64
    column: Int64
    ns: Float
    read_ns: Float
    cpu_ns: Float
    reported: Float
    late: Float
    samples: Int64

    @property
    def is_covered(self) -> bool:
        """Whether any of its intervals is between two samples."""
        return bool((~np.isnan(self.reported[:, 0])).any())

    def thinned(self) -> Evidence:
        """Return some runs of its intervals, all of them where it is small."""
        step = -(-len(self.ns) // MOST_PIECES)
        if step <= 1:
            return self
        used = np.arange(len(self.reported)) // TOGETHER % step == 0
        chosen = used[self.interval]
        pieces = (self.worker, self.column, self.ns, self.read_ns, self.cpu_ns)
        worker, column, ns, read_ns, cpu_ns = (values[chosen] for values in pieces)
        interval = (np.cumsum(used) - 1)[self.interval[chosen]]
        late = np.where(np.append(used[1:], False), self.late, 0.0)[used]
        reported = self.reported[used]
        return Evidence(interval, worker, column, ns, read_ns, cpu_ns, reported, late, self.samples)


def together(parts: Sequence[Evidence]) -> Evidence:
    """Return the evidence of several stretches as one."""
    firsts = np.cumsum([0, *(len(part.reported) for part in parts)])
    columns = max(len(part.samples) for part in parts)
    samples = np.zeros((columns, 2), dtype=np.int64)
    for part in parts:
        samples[: len(part.samples)] += part.samples
    numbered = [part.interval + first for part, first in zip(parts, firsts, strict=False)]
    worker, column, ns, read_ns, cpu_ns, reported, late = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("worker", "column", "ns", "read_ns", "cpu_ns", "reported", "late")
    )
    interval = np.concatenate(numbered)
    return Evidence(interval, worker, column, ns, read_ns, cpu_ns, reported, late, samples)


class Fit:
    """A table that is being fitted: time of each piece in each state.

    A piece has one row for its time without a reading, which may be in any state, and where the
    on-core time of tasks was read, another one for the rest of them, which was not on a core.
    Tables are held state by state, shape (3, rows) or (3, intervals).
    """

    def __init__(self, evidence: Evidence) -> None:
        off = np.maximum(evidence.read_ns - evidence.cpu_ns, 0.0)
        self._off = np.flatnonzero(off)
        self._pieces = len(evidence.ns)
        self._column = np.concatenate([evidence.column, evidence.column[self._off]])
        self._interval = np.concatenate([evidence.interval, evidence.interval[self._off]])
        self._ns = np.concatenate([evidence.ns - evidence.read_ns, off[self._off]])
        self._cpu_ns = evidence.cpu_ns
        self._intervals = len(evidence.reported)
        read = np.bincount(evidence.interval, weights=self._cpu_ns, minlength=self._intervals)
        self._free = self._per_interval(self._ns)
        self._on = np.clip(evidence.reported[:, 0] - read, 0.0, self._free)
        self._queued = evidence.reported[:, 1]
        self._most_moved = np.zeros(self._intervals)
        if self._intervals:
            later = np.append(np.nan_to_num(self._queued[1:]), 0.0)
            self._most_moved = np.minimum(evidence.late, later)
        self._moved = np.zeros(self._intervals)
        self._known = ~np.isnan(self._on)
        self._factors = np.ones((3, self._intervals))
        self._wanted = self._margins()

    def _per_interval(self, values: Float) -> Float:
        sums = np.bincount(self._interval, weights=values, minlength=self._intervals)
        return sums.astype(np.float64, copy=False)

    def _margins(self) -> Float:
        """Return the time wanted in each state, NaN where the kernel reported none."""
        queued = self._queued + self._moved
        queued[1:] -= self._moved[:-1]
        queued = np.clip(queued, 0.0, self._free - self._on)
        return np.stack([self._on, queued, self._free - self._on - queued])

    def use(self, rates: Float) -> None:
        """Fill in the pieces by `rates`, shape (columns, 3), from now on."""
        self._shares = np.take(rates.T, self._column, axis=1)
        self._shares[ON, self._pieces :] = 0.0
        self._expected = self._per_interval(self._scaled(self._shares)[QUEUED])

    def _scaled(self, shares: Float) -> Float:
        total = shares[ON] + shares[QUEUED] + shares[OFF]
        time: Float = shares * np.divide(self._ns, total, out=np.zeros_like(total), where=total > 0)
        return time

    def move_back(self) -> None:
        """Move waits for a core back to the interval where they began, where the rates support it.

        By least squares for each two adjacent intervals, half a step at a time: they depend on
        each other.
        """
        if self._intervals < 2:
            return
        missing = self._expected - np.where(self._known, self._wanted[QUEUED], 0.0)
        step = np.append(missing[:-1] - missing[1:], 0.0) / 4
        self._moved = np.clip(self._moved + step, 0.0, self._most_moved)
        self._wanted = self._margins()

    def round(self) -> None:
        """Fit the pieces once to the intervals."""
        self.time = self._scaled(self._shares * np.take(self._factors, self._interval, axis=1))
        for time, factors, wanted in zip(self.time, self._factors, self._wanted, strict=True):
            found = self._per_interval(time)
            some = self._known & (found > 0)
            factors[some] *= wanted[some] / found[some]
        # Only the ratios of an interval's factors matter; no factor may become 0 for good.
        self._factors /= self._factors.max(axis=0)
        np.maximum(self._factors, LEAST_FACTOR, out=self._factors)

    def time_of_pieces(self) -> Float:
        """Return the time of each piece in each state, in ns, shape (pieces, 3)."""
        time: Float = self.time[:, : self._pieces].copy()
        time[:, self._off] += self.time[:, self._pieces :]
        time[ON] += self._cpu_ns
        return time.T


def sums_of(numbers: Int64, time: Float, length: int) -> Float:
    """Return the sums of rows of `time` by their numbers, shape (length, 3)."""
    sums = [np.bincount(numbers, weights=time[:, state], minlength=length) for state in range(3)]
    return np.stack(sums, axis=1)


def start_rates(columns: int) -> Float:
    """Return the first rates, shape (columns, 3)."""
    rates = np.empty((columns, 3))
    rates[:] = START[FIRST_KIND]
    rates[: min(columns, FIRST_KIND)] = START[: min(columns, FIRST_KIND)]
    return rates


def estimated(evidence: Evidence, before: Float | None = None) -> Float:
    """Return the rates, shape (columns, 3), that make the evidence most likely.

    before: the rates of the stretch just before, to begin with.
    """
    evidence = evidence.thinned()
    columns = len(evidence.samples)
    start = start_rates(columns)
    rates = start.copy()
    if before is not None:
        rates[: len(before)] = before[:columns]
    fit = Fit(evidence)
    sampled_ns = evidence.samples * SAMPLE_NS
    fit.use(rates)
    for _ in range(FITS_BEFORE):  # without a fit, the table would only repeat the rates
        fit.round()
    for _ in range(ROUNDS if before is None else MORE_ROUNDS):
        fit.use(rates)
        fit.move_back()
        fit.round()
        time = sums_of(evidence.column, fit.time_of_pieces(), columns) + START_NS * start
        able = rates[:, :OFF] / np.maximum(rates[:, :OFF].sum(axis=1, keepdims=True), 1e-12)
        time[:, :OFF] += able * sampled_ns[:, :1]
        time[:, OFF] += sampled_ns[:, 1]
        earlier, rates = rates, time / time.sum(axis=1, keepdims=True)
        if float(np.abs(rates - earlier).max()) < ENOUGH:
            break
    return rates


def fitted(evidence: Evidence, rates: Float) -> Fit:
    """Return the evidence filled in by `rates` and fitted to the kernel's counters."""
    columns = max(len(evidence.samples), len(rates))
    more = start_rates(columns)
    more[: len(rates)] = rates
    fit = Fit(evidence)
    fit.use(more)
    for _ in range(FITS):
        fit.move_back()
    for _ in range(FITS):
        fit.round()
    return fit
