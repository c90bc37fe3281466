"""What queueing theory says of a pool: waits of arrivals, and Little's law on a record.

Pure: numbers and arrays in, numbers and frozen dataclasses out. a = λτ is the offered load (λ
arrivals per unit of time, τ the mean service time, in one unit of the caller's choice), c the
number of workers, ρ = a/c. Erlang's formulas: A. K. Erlang (1917), "Solution of some problems in
the theory of probabilities of significance in automatic telephone exchanges"; M/M/c as in
D. Gross, C. M. Harris, Fundamentals of Queueing Theory. Little's law: J. D. C. Little (1961),
"A proof for the queuing formula L = λW", Oper. Res. 9(3):383–387.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from ...model.arrays import Int64


def erlang_b(servers: int, offered: float) -> float:
    """Return the blocking probability B(c, a) by the recursion B(k) = aB(k−1)/(k + aB(k−1)).

    Raises ValueError for fewer than one server or a load below 0.
    """
    _require(servers >= 1, f"{servers} servers: at least one is needed")
    _require_amount(offered, "an offered load")
    blocked = 1.0
    for server in range(1, servers + 1):
        blocked = offered * blocked / (server + offered * blocked)
    return blocked


def erlang_c(servers: int, offered: float) -> float:
    """Return the probability that an arrival waits, C(c, a) = B/(1 − ρ(1 − B)); 1 with ρ ≥ 1.

    Raises ValueError as `erlang_b`.
    """
    blocked = erlang_b(servers, offered)
    return blocked / (1 - offered / servers * (1 - blocked)) if offered < servers else 1.0


def mmc_wait(arrival_rate: float, service_time: float, servers: int) -> float:
    """Return the mean wait in the queue of M/M/c in steady state, C(c, a)·τ/(c − a).

    M/M/c has Poisson arrivals, exponential service and `servers` workers. The wait is in the unit
    of `service_time`; infinite with ρ ≥ 1, where there is no steady state. Raises ValueError for
    fewer than one server, a rate below 0 or a service time not above 0.
    """
    _require_amount(arrival_rate, "an arrival rate")
    _require(0 < service_time < math.inf, f"a service time of {service_time}: not above 0")
    offered = arrival_rate * service_time
    waits = erlang_c(servers, offered)
    return waits * service_time / (servers - offered) if offered < servers else math.inf


def allen_cunneen_wait(
    arrival_rate: float,
    service_time: float,
    servers: int,
    arrival_variation: float,
    service_variation: float,
) -> float:
    """Return the approximate mean wait of G/G/c: that of M/M/c times (c_a² + c_s²)/2.

    The variations are squared coefficients of variation (variance over squared mean) of the times
    between arrivals and of the service times. With Poisson arrivals and one server it is the exact
    wait of Pollaczek and Khinchine. Infinite with ρ ≥ 1. A. O. Allen (1990), Probability,
    Statistics, and Queueing Theory with Computer Science Applications, 2nd edition (from memory).
    Raises ValueError as `mmc_wait`, and for a variation below 0.
    """
    _require_amount(arrival_variation, "a squared coefficient of variation")
    _require_amount(service_variation, "a squared coefficient of variation")
    wait = mmc_wait(arrival_rate, service_time, servers)
    return wait * (arrival_variation + service_variation) / 2 if wait < math.inf else wait


@dataclass(frozen=True, slots=True)
class LittleReading:
    """Little's law on a recorded path in [begin, end]: all in whole nanoseconds, so exact.

    area_ns is ∫ N(t) dt, where N(t) is the number of tasks in the system. finished_ns is the sum of
    the times in the system of the `departures` that left in the window. Two boundary terms close
    the account whatever the window cuts through:

        L·T = area_ns = finished_ns − before_ns + after_ns = X·W·T − before_ns + after_ns

    with X = departures/T and W = finished_ns/departures. before_ns: the part of finished_ns before
    the window begins. after_ns: the time in the window of the tasks still there at its end. The
    account needs nothing after the window, so it holds for a running system too. On a closed path
    (no task there at either end) both terms are 0, there are as many arrivals as departures, and
    L = λW is exact.
    """

    window_ns: int
    area_ns: int
    arrivals: int
    departures: int
    finished_ns: int
    before_ns: int
    after_ns: int
    at_begin: int
    at_end: int

    @property
    def closed(self) -> bool:
        """Whether no task was there when the window began, and none when it ended."""
        return not self.at_begin and not self.at_end

    @property
    def mean_in_system(self) -> float:
        """L: the mean number of tasks in the system."""
        return self.area_ns / self.window_ns

    @property
    def arrival_rate(self) -> float:
        """λ: arrivals per second."""
        return self.arrivals * 1e9 / self.window_ns

    @property
    def mean_time_s(self) -> float:
        """W: mean seconds in the system of the tasks that left in the window, 0 where none left."""
        return self.finished_ns / self.departures / 1e9 if self.departures else 0.0


def little(arrived_ns: Int64, departed_ns: Int64, begin_ns: int, end_ns: int) -> LittleReading:
    """Return the account of Little's law for [begin_ns, end_ns].

    arrived_ns, departed_ns: shape (n,), in the same order. A task that has not left yet has any
    departure after the end. Tasks outside the window may be among them. J. D. C. Little, S. C.
    Graves (2008), "Little's law", ch. 5 in Building Intuition, Springer; counted at the departures
    as in P. J. Denning, J. P. Buzen (1978), "The operational analysis of queueing network models",
    ACM Comput. Surv. 10(3):225–261 (from memory). Raises ValueError for a window without length,
    arrays of different shapes, or a departure before its arrival.
    """
    arrived, departed = np.asarray(arrived_ns), np.asarray(departed_ns)
    _require(end_ns > begin_ns, f"a window from {begin_ns} to {end_ns}: it has no length")
    _require(arrived.shape == departed.shape, "arrivals and departures differ in number")
    _require(not np.any(departed < arrived), "a departure lies before its arrival")
    # A task that came and left in the nanosecond of the beginning did both in the window.
    there = (arrived < end_ns) & ((departed > begin_ns) | (arrived >= begin_ns))
    arrived, departed = arrived[there], departed[there]
    early, left = arrived < begin_ns, departed <= end_ns
    inside, at_begin = arrived[~early], int(np.count_nonzero(early))
    window = end_ns - begin_ns
    # The area under the curve: each arrival raises it up to the end, each departure lowers it.
    area = at_begin * window + _exact_sum(end_ns - inside) - _exact_sum(end_ns - departed[left])
    return LittleReading(
        window_ns=window,
        area_ns=area,
        arrivals=len(inside),
        departures=int(np.count_nonzero(left)),
        finished_ns=_exact_sum(departed[left] - arrived[left]),
        before_ns=_exact_sum(begin_ns - arrived[early & left]),
        after_ns=_exact_sum(end_ns - np.maximum(arrived[~left], begin_ns)),
        at_begin=at_begin,
        at_end=int(np.count_nonzero(~left)),
    )


def _exact_sum(values: Int64) -> int:
    """Return the sum as a Python integer: a million tasks of an hour each overflow 64 bits."""
    return (int((values >> 32).sum()) << 32) + int((values & 0xFFFFFFFF).sum())


def _require_amount(value: float, what: str) -> None:
    _require(0 <= value < math.inf, f"{what} of {value}: it must be finite and not below 0")


def _require(holds: bool, otherwise: str) -> None:
    if not holds:
        raise ValueError(otherwise)
