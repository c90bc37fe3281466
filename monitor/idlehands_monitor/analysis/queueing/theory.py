"""What queueing theory says of a pool: waits, workers needed, and Little's law on a record.

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


@dataclass(frozen=True, slots=True)
class MMcQueue:
    """A queue with Poisson arrivals, exponential service and `servers` workers, in steady state.

    p_empty: probability that nobody is there (p₀); p_wait: that an arrival has to wait. Mean
    numbers: `queue_length` (L_q), `in_system` (L). Mean times, in the unit that `service_time`
    has: `queue_wait` (W_q), `time_in_system` (W). With ρ ≥ 1 there is no steady state: p_empty
    is 0, p_wait is 1, and lengths and waits are infinite.
    """

    arrival_rate: float
    service_time: float
    servers: int
    utilisation: float
    p_empty: float
    p_wait: float
    queue_length: float
    in_system: float
    queue_wait: float
    time_in_system: float

    def p_wait_longer(self, time: float) -> float:
        """Return P(W_q > time) = C·exp(−(c − a)·time/τ); 1 with ρ ≥ 1.

        Raises ValueError for a time below 0.
        """
        _require(time >= 0, f"a wait of {time}: it must be 0 or more")
        spare = self.servers * (1 - self.utilisation)
        if spare <= 0:
            return 1.0
        return self.p_wait * math.exp(-spare * time / self.service_time)


def erlang_b(servers: int, offered: float) -> float:
    """Return the blocking probability B(c, a) by the recursion B(k) = aB(k−1)/(k + aB(k−1)).

    Raises ValueError for fewer than one server or a load below 0.
    """
    _require_servers(servers)
    _require_amount(offered, "an offered load")
    blocked = 1.0
    for server in range(1, servers + 1):
        blocked = _one_more(blocked, server, offered)
    return blocked


def erlang_c(servers: int, offered: float) -> float:
    """Return the probability of waiting C(c, a) = B/(1 − ρ(1 − B)); 1 with ρ ≥ 1.

    Raises ValueError as `erlang_b`.
    """
    return _delayed(erlang_b(servers, offered), servers, offered)


def mmc(arrival_rate: float, service_time: float, servers: int) -> MMcQueue:
    """Return the M/M/c queue of these.

    Raises ValueError for fewer than one server, a rate below 0 or a service time not above 0.
    """
    _require_load(arrival_rate, service_time)
    _require_servers(servers)
    offered = arrival_rate * service_time
    utilisation = offered / servers
    if utilisation >= 1:
        never = math.inf
        return MMcQueue(
            arrival_rate, service_time, servers, utilisation, 0.0, 1.0, never, never, never, never
        )
    # 1 − B(k) is the ratio of the sums of aⁱ/i! up to k − 1 and up to k, so their product is one
    # over the last sum: no factorial that could overflow.
    blocked, inverse_sum = 1.0, 1.0
    for server in range(1, servers + 1):
        blocked = _one_more(blocked, server, offered)
        inverse_sum *= 1 - blocked
    p_wait = _delayed(blocked, servers, offered)
    wait = p_wait * service_time / (servers - offered)
    return MMcQueue(
        arrival_rate,
        service_time,
        servers,
        utilisation,
        p_empty=inverse_sum / (1 + blocked * utilisation / (1 - utilisation)),
        p_wait=p_wait,
        queue_length=arrival_rate * wait,
        in_system=arrival_rate * (wait + service_time),
        queue_wait=wait,
        time_in_system=wait + service_time,
    )


def allen_cunneen(
    arrival_rate: float,
    service_time: float,
    servers: int,
    arrival_variation: float,
    service_variation: float,
) -> float:
    """Return the approximate mean wait of G/G/c: that of M/M/c times (c_a² + c_s²)/2.

    The variations are squared coefficients of variation (variance over squared mean) of the times
    between arrivals and of the service times. Infinite with ρ ≥ 1. A. O. Allen (1990),
    Probability, Statistics, and Queueing Theory with Computer Science Applications, 2nd edition
    (from memory). Raises ValueError as `mmc`, and for a variation below 0.
    """
    _require_amount(arrival_variation, "a squared coefficient of variation")
    _require_amount(service_variation, "a squared coefficient of variation")
    queue = mmc(arrival_rate, service_time, servers)
    if queue.utilisation >= 1:
        return math.inf
    return queue.queue_wait * (arrival_variation + service_variation) / 2


def kingman(
    arrival_rate: float, service_time: float, arrival_variation: float, service_variation: float
) -> float:
    """Return the approximate mean wait of G/G/1: τ·ρ/(1 − ρ)·(c_a² + c_s²)/2.

    It is `allen_cunneen` with one server, where P(wait) is ρ. Infinite with ρ ≥ 1.
    J. F. C. Kingman (1961), "The single server queue in heavy traffic", Proc. Camb. Phil. Soc.
    57:902–904. Raises ValueError as `allen_cunneen`.
    """
    return allen_cunneen(arrival_rate, service_time, 1, arrival_variation, service_variation)


def mg1_wait(arrival_rate: float, service_time: float, service_variation: float) -> float:
    """Return the exact mean wait of M/G/1 (Pollaczek–Khinchine): τ·ρ/(1 − ρ)·(1 + c_s²)/2.

    `kingman` with Poisson arrivals, where it is exact (R. B. Cooper, Introduction to Queueing
    Theory, 2nd edition, 1981, p. 189). Infinite with ρ ≥ 1. Raises ValueError as `kingman`.
    """
    return kingman(arrival_rate, service_time, 1.0, service_variation)


def workers_needed(
    arrival_rate: float,
    service_time: float,
    *,
    p_wait: float | None = None,
    mean_wait: float | None = None,
) -> int:
    """Return the fewest workers with which M/M/c keeps P(wait) or the mean wait at or below this.

    Takes time in proportion to the offered load. Raises ValueError unless exactly one of `p_wait`
    (above 0, at most 1) and `mean_wait` (above 0) is given, and as `mmc`.
    """
    _require_load(arrival_rate, service_time)
    _require((p_wait is None) != (mean_wait is None), "give either p_wait or mean_wait")
    if p_wait is not None:
        _require(0 < p_wait <= 1, f"a probability of waiting of {p_wait}: not in (0, 1]")
    if mean_wait is not None:
        _require(mean_wait > 0, f"a mean wait of {mean_wait}: it must be above 0")
    offered = arrival_rate * service_time
    servers, blocked = 1, _one_more(1.0, 1, offered)
    while True:
        waits = _delayed(blocked, servers, offered)
        if offered < servers and (
            (p_wait is not None and waits <= p_wait)
            or (mean_wait is not None and waits * service_time / (servers - offered) <= mean_wait)
        ):
            return servers
        servers += 1
        blocked = _one_more(blocked, servers, offered)


def _one_more(blocked: float, servers: int, offered: float) -> float:
    """Return Erlang's B of `servers` from that of one fewer."""
    return offered * blocked / (servers + offered * blocked)


def _delayed(blocked: float, servers: int, offered: float) -> float:
    """Return Erlang's C from his B."""
    return blocked / (1 - offered / servers * (1 - blocked)) if offered < servers else 1.0


@dataclass(frozen=True, slots=True)
class LittleReading:
    """Little's law on a recorded path in [begin, end]: all in whole nanoseconds, so exact.

    area_ns is ∫ N(t) dt, N(t) being how many are in the system. finished_ns is the sum of the
    whole times in the system of the `departures` that left in the window. Two boundary terms
    close the account whatever the window cuts through:

        L·T = area_ns = finished_ns − before_ns + after_ns = X·W·T − before_ns + after_ns

    with X = departures/T and W = finished_ns/departures. before_ns is how long those that left in
    the window had been there before it began; after_ns how long those still there at its end have
    been there in it. Nothing that lies after the window is needed, so this can be said of a
    running system. On a closed path (nobody there at either end) both are 0, arrivals and
    departures are as many, and L = λW is exact.
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
        """Whether nobody was there when the window began nor when it ended."""
        return not self.at_begin and not self.at_end

    @property
    def mean_in_system(self) -> float:
        """L: how many were there on average."""
        return self.area_ns / self.window_ns

    @property
    def arrival_rate(self) -> float:
        """λ: arrivals per second."""
        return self.arrivals * 1e9 / self.window_ns

    @property
    def mean_time_s(self) -> float:
        """W: mean seconds in the system of those that left in the window, 0 where none did."""
        return self.finished_ns / self.departures / 1e9 if self.departures else 0.0


def little(arrived_ns: Int64, departed_ns: Int64, begin_ns: int, end_ns: int) -> LittleReading:
    """Return the account of Little's law for [begin_ns, end_ns].

    arrived_ns, departed_ns: shape (n,), one place each; who has not left yet departs at any
    moment after the end. What lies outside the window may be among them. J. D. C. Little,
    S. C. Graves (2008), "Little's law", ch. 5 in Building Intuition, Springer; counted at the
    departures as in P. J. Denning, J. P. Buzen (1978), "The operational analysis of queueing
    network models", ACM Comput. Surv. 10(3):225–261 (from memory). Raises ValueError for a window
    without length, arrays of different shapes, or a departure before its arrival.
    """
    arrived, departed = np.asarray(arrived_ns), np.asarray(departed_ns)
    _require(end_ns > begin_ns, f"a window from {begin_ns} to {end_ns}: it has no length")
    _require(arrived.shape == departed.shape, "arrivals and departures differ in number")
    _require(not np.any(departed < arrived), "a departure lies before its arrival")
    # Whoever came and went in the same nanosecond at the beginning did both in the window.
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
    """Return the sum as a Python integer: a million tasks times an hour outgrow 64 bits."""
    return (int((values >> 32).sum()) << 32) + int((values & 0xFFFFFFFF).sum())


def _require_load(arrival_rate: float, service_time: float) -> None:
    _require_amount(arrival_rate, "an arrival rate")
    _require(0 < service_time < math.inf, f"a service time of {service_time}: not above 0")


def _require_servers(servers: int) -> None:
    _require(servers >= 1, f"{servers} servers: there must be one at least")


def _require_amount(value: float, what: str) -> None:
    _require(0 <= value < math.inf, f"{what} of {value}: it must be finite and not below 0")


def _require(holds: bool, otherwise: str) -> None:
    if not holds:
        raise ValueError(otherwise)
