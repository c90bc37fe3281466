"""What is done in a worker process when a queue of the probe's arrives there.

The queues' modules know no adapter, and the package of the adapters knows them all. So the package
leaves the action here, and the queues take it from here.
"""

from __future__ import annotations

from typing import Callable

_actions: list[Callable[[], None]] = []


def on_arrival(action: Callable[[], None]) -> None:
    """Have `action` called for every queue that arrives in this process."""
    _actions.append(action)


def queue_arrived() -> None:
    """Call the actions; they raise what they raise."""
    for action in _actions:
        action()
