"""A worker's probe that is off: every call does nothing, at the cost of the call alone.

A live probe is switched off by a change of its class, so the hot path never asks whether it is on.
"""

from __future__ import annotations

from ._recorder import WorkerProbe
from ._rings import NO_TOKEN, Token
from ._tables import FINISHED, NONE, OWN_DEQUE


class OffWorkerProbe(WorkerProbe):
    """A worker of a pool whose probe is off: every call does nothing."""

    __slots__ = ()

    def bind(self) -> None:
        """Do nothing."""

    def spawned(self, kind: str, size: int = NONE) -> Token:
        """Return an empty token."""
        return NO_TOKEN

    def running(self, token: Token, taken_from: int = OWN_DEQUE) -> None:
        """Do nothing."""

    def finished(self, outcome: int = FINISHED) -> None:
        """Do nothing."""

    def raised(self, error: BaseException) -> None:
        """Do nothing."""

    def waiting(self, on: Token | None = None) -> None:
        """Do nothing."""

    resumed = searching = parked = bind

    def missed(self, victim: int) -> None:
        """Do nothing."""

    stolen = missed

    def lost_race(self, victim: int, length: int = NONE) -> None:
        """Do nothing."""

    def contended(self, owner: int, length: int = NONE, waited_ns: int = 0) -> None:
        """Do nothing."""

    def adopted(self, token: Token, pool: object) -> Token:
        """Return an empty token."""
        return NO_TOKEN

    def unparked(self, woken_by: int = NONE, woken_ns: int = NONE) -> None:
        """Do nothing."""
