"""The process that records the pools of another process until it is told to stop.

`python -m idlehands_monitor.session.record_process PID FILE`. It prints ``ready`` once all is
imported and the file is there, and records until its standard input ends. Then it waits for what
the pools did up to that time, closes the file and ends. So nothing of the monitor runs in the
process that is recorded.
"""

from __future__ import annotations

import select
import signal
import sys
from typing import TYPE_CHECKING

from ..ingest.sources.live import LiveSource
from ..model.errors import DONE, USAGE, CommandError
from .feed import Feed
from .machine import MACHINE
from .session import POLL_SECONDS, Session

if TYPE_CHECKING:
    from ..ledger import Ledger
    from .machine import Machine

FIRST_SECONDS, LAST_SECONDS = 5.0, 15.0
"""The longest wait for a first sign of a pool, and for what the pools did up to the end."""
LONGEST_NS = 24 * 3600 * 10**9


def record(pid: str, path: str, machine: Machine = MACHINE) -> None:
    """Record until standard input ends. Raises CommandError."""
    with Session(Feed(LiveSource(pid), None), machine) as session:
        session.start_capture(path, replace=True)
        begin_ns = int(machine.monotonic() * 1e9)
        # Pools that the process used before are not part of it.
        session.feed.source.note({"frame": "window", "begin_ns": begin_ns, "length_ns": LONGEST_NS})
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        while not select.select([sys.stdin], [], [], POLL_SECONDS)[0]:
            session.update()
        _take_the_rest(session, machine)
        session.stop_capture()


def _take_the_rest(session: Session, machine: Machine) -> None:
    """Wait until every pool is complete up to now; one that has closed, up to its end."""
    now_ns = int(machine.monotonic() * 1e9)
    began = machine.monotonic()
    while not session.has_ended:
        session.update()
        if _is_complete(session.feed.ledger, now_ns):
            return
        longest = LAST_SECONDS if session.feed.ledger.pools else FIRST_SECONDS
        if machine.monotonic() - began > longest:
            return
        machine.sleep(POLL_SECONDS)


def _is_complete(ledger: Ledger, now_ns: int) -> bool:
    ended = {pid for pid, origin in ledger.origins.items() if origin.ended}
    pools = [pool for pool in ledger.pools.values() if pool.pid not in ended]
    return bool(ledger.pools) and all(
        pool.complete_ns >= (pool.closed_ns if pool.closed_ns >= 0 else now_ns) for pool in pools
    )


def main() -> int:
    """Record as the arguments say; return the exit status."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl+c is for the process that asked
    try:
        record(sys.argv[1], sys.argv[2])
    except CommandError as error:
        sys.stdout.write(f"{error}\n")
        return USAGE
    return DONE


if __name__ == "__main__":
    sys.exit(main())
