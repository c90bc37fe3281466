"""The cost of the probe in its process, and the detail that pools give up where that is too high.

Sending is the CPU time of the publisher's thread, shared out to pools by the rows they send.
Recording is estimated for each pool by its `Governor`.
"""

from __future__ import annotations

from time import monotonic_ns, thread_time_ns
from typing import Callable

from ._governor import Governor, Price
from ._pool import PoolProbe


class Costs:
    """The costs so far. Only the publisher's thread calls its methods, and only while it runs."""

    def __init__(self, pools: Callable[[], list[PoolProbe]]) -> None:
        self._pools = pools
        self._governors: dict[int, Governor] = {}
        self._recording_before_ns = 0.0
        self._sent_before = (0, 0)
        self._began_cpu_ns = self._earlier_cpu_ns = 0

    def thread_begins(self) -> None:
        """Count the CPU time of the calling thread from now on."""
        self._began_cpu_ns = thread_time_ns()

    def thread_ends(self) -> None:
        """Keep the CPU time of a thread that ends; another one may follow it."""
        self._earlier_cpu_ns += thread_time_ns() - self._began_cpu_ns

    def sending_ns(self) -> int:
        """Return the CPU time of the publisher's threads so far, in nanoseconds."""
        return self._earlier_cpu_ns + thread_time_ns() - self._began_cpu_ns

    def recording_ns(self) -> float:
        """Return the cost of recording of all pools so far, in nanoseconds."""
        present = sum(governor.recording_ns for governor in self._governors.values())
        return self._recording_before_ns + present

    def govern(self, rows_sent: int) -> None:
        """Review the cost of the probe for each pool. `rows_sent`: the rows sent to all readers."""
        sending = self.sending_ns()
        sending_before, sent_before = self._sent_before
        self._sent_before = sending, rows_sent
        new_rows = rows_sent - sent_before
        per_row = (sending - sending_before) / new_rows if new_rows > 0 else 0.0
        present = {pool.number: pool for pool in self._pools() if not pool.off}
        for number, pool in present.items():
            try:
                if number not in self._governors:
                    self._governors[number] = Governor(pool, Price(*pool.price()))
                self._governors[number].review(monotonic_ns(), per_row)
            except Exception as error:
                pool.failed(error)
        for number in self._governors.keys() - present.keys():  # they would keep the pools' rings
            self._recording_before_ns += self._governors.pop(number).recording_ns
