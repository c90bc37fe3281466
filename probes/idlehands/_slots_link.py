"""How the processes of a pool come to its shared slots: a link that travels with its queues."""

from __future__ import annotations

from typing import Any

from ._descriptors import Identity
from ._mapping import Mapping
from ._notes import warn
from ._shared_slots import SharedSlots
from ._slot_layout import SLOT_BYTES


class Link:
    """A reference to shared slots that a worker process receives with the pool's queues.

    A forked process inherits the memory. A process that is started anew is passed the memory's
    descriptor while it starts, so no process needs the right to trace another. The link of a
    process that cannot be passed the descriptor is None.

    Attributes: slots (how many there are), shared (None once the memory was let go).
    """

    __slots__ = ("_has_warned", "identity", "shared", "slots")

    def __init__(self, shared: SharedSlots, identity: Identity) -> None:
        self.shared: SharedSlots | None = shared
        self.slots = shared.slots
        self.identity = identity
        self._has_warned = False

    @classmethod
    def create(cls, slots: int) -> Link:
        """Return the link to new shared slots. Raises OSError where the memory cannot be had."""
        mapping = Mapping.create(slots * SLOT_BYTES)
        return cls(SharedSlots(slots, mapping), mapping.identity)

    def __reduce__(self) -> Any:
        passed = None
        try:
            if self.shared is not None and self.shared.mapping is not None:
                passed = self.shared.mapping.passed()
                self._warn_once(passed)
        except Exception:
            passed = None
        return _received, (passed, self.slots, self.identity)

    def _warn_once(self, passed: object) -> None:
        if passed is None and not self._has_warned:
            self._has_warned = True
            warn("worker processes are not probed: the job closed a descriptor of the probe's")


def _received(passed: Any, slots: int, identity: Identity) -> Link | None:
    """Return the link that was passed to this process, None where it leads nowhere."""
    try:
        mapping = Mapping.receive(passed.detach(), slots * SLOT_BYTES, identity)
    except Exception:
        return None
    return Link(SharedSlots(slots, mapping), identity)
