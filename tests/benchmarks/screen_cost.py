"""What the dashboard costs: its share of one core while it watches a large, busy pool.

It runs on a real pseudo-terminal that is drained as fast as it writes. A benchmark, never a
test: it exits with 0 whether its bars hold or not. `docs/benchmarks.md` says how it is judged.
"""

from __future__ import annotations

import fcntl
import os
import pty
import signal
import statistics
import struct
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

from support import Row, arguments, finish

BARS = {64: 8.0, 256: 15.0}
LINES, COLUMNS = 60, 200
START_SECONDS = 6.0
"""Imports, the first readings, and the window filling up: not what a long watch costs."""
STATE = "● live".encode()
TARGET = Path(__file__).with_name("made_up_pool.py")
TICKS = os.sysconf("SC_CLK_TCK")


class Screen:
    """`idlehands watch` on a pseudo-terminal of its own, with a thread that drains it."""

    def __init__(self, target: int | str, state: bytes = STATE) -> None:
        self._state = state
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
            os.environ.pop("NO_COLOR", None)
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
            command = [sys.executable, "-m", "idlehands", "watch", str(target)]
            os.execv(sys.executable, command)  # noqa: S606 - a pseudo-terminal, so no shell
        self.drained = self.frames = 0
        self.last = b""
        threading.Thread(target=self._drain, daemon=True).start()

    def _drain(self) -> None:
        while True:
            try:
                data = os.read(self._terminal, 1 << 16)
            except OSError:  # how Linux says that the other end has closed
                return
            self.drained += len(data)
            # Every frame says anew what state the source is in; a read may end inside the word.
            before = self.last[-len(self._state) + 1 :]
            self.frames += (before + data).count(self._state)
            self.last = (self.last + data)[-4000:]

    def cpu_seconds(self) -> float:
        """Return the CPU time of all its threads so far (proc(5), stat)."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def close(self) -> None:
        """Leave as a person does; if that takes too long, end it."""
        os.write(self._terminal, b"q")
        for _ in range(50):
            if os.waitpid(self.pid, os.WNOHANG)[0]:
                return
            time.sleep(0.1)
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)


def share_of_core(workers: int, seconds: float) -> tuple[float, float, float]:
    """Return (percent of a core, kilobytes and frames a second) of watching so many workers."""
    target = subprocess.Popen(
        [sys.executable, str(TARGET), str(workers)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert target.stdin is not None
    assert target.stdout is not None
    try:
        target.stdout.readline()
        screen = Screen(target.pid)
        try:
            time.sleep(START_SECONDS)
            began, cpu, drawn = time.monotonic(), screen.cpu_seconds(), screen.drained
            frames = screen.frames
            time.sleep(seconds)
            took = time.monotonic() - began
            cpu, drawn = screen.cpu_seconds() - cpu, screen.drained - drawn
            frames = screen.frames - frames
            if drawn < 1000 or not frames:
                raise RuntimeError(f"the dashboard drew nothing: {screen.last[-400:]!r}")
        finally:
            screen.close()
    finally:
        target.stdin.close()
        target.wait(10)
    return 100 * cpu / took, drawn / took / 1e3, frames / took


def main() -> int:
    """Measure both sizes and print them."""
    parser = arguments(__doc__.splitlines()[0], rounds=5, seconds=15)
    options = parser.parse_args()
    seconds = 5 if options.quick else options.seconds
    rounds = 1 if options.quick else options.rounds
    rows = []
    for workers, bar in BARS.items():
        runs = [share_of_core(workers, seconds) for _ in range(rounds)]
        shares = [share for share, _, _ in runs]
        drawn = statistics.median(rate for _, rate, _ in runs)
        frames = statistics.median(rate for _, _, rate in runs)
        measured = (
            f"median of {rounds} x {seconds} s, {min(shares):.1f} to {max(shares):.1f} %, "
            f"{drawn:.0f} kB/s drawn, {frames:.1f} frames/s"
        )
        name = f"dashboard, {workers} workers, {COLUMNS}x{LINES}"
        rows.append(Row(name, measured, statistics.median(shares), bar, "% of a core"))
    return finish(options, rows, [])


if __name__ == "__main__":
    sys.exit(main())
