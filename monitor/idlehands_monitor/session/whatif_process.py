"""The process that answers a screen's question; `whatif.WhatIf` starts it.

Its arguments are a descriptor and a niceness. It reads the pickled question from its standard
input, and says through the connection of the descriptor how much is done (a float), and at the end
a refusal (a str) or the answers.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
from dataclasses import replace
from multiprocessing.connection import Connection

from ..analysis.whatif.planning import WhatIfError
from .whatif import answered

LIVE_SECONDS = 2.0
"""How long runs are simulated for a screen."""


def main() -> None:
    """Answer one question."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # ctrl+c is for the process that asked
    signal.signal(signal.SIGTERM, _leave)
    os.nice(int(sys.argv[2]))
    connection = Connection(int(sys.argv[1]), readable=False)
    # From the process that started this one.
    ledger, reading, question = pickle.load(sys.stdin.buffer)  # noqa: S301
    try:
        found = answered(ledger, reading, question, connection.send, seconds=LIVE_SECONDS)
        connection.send(replace(found, whole=True))
    except WhatIfError as error:
        connection.send(str(error))
    except BrokenPipeError:
        return


def _leave(*_signal: object) -> None:
    """End as a program that exits does, so that the simulating processes end too."""
    raise SystemExit(1)


if __name__ == "__main__":
    main()
