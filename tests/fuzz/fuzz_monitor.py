"""Feeds the monitor damaged and hostile captures and streams; reports the cases that failed.

    .venv/bin/python tests/fuzz/fuzz_monitor.py --seconds 600
    .venv/bin/python tests/fuzz/fuzz_monitor.py --seed 4711 --cases 1     # one case again

Each case is read by a process of its own, forked from this one, as somebody would read it: by
`explain`, `watch` or `pools`. It fails by a traceback, by an exit status that is none of ours, by a
control character in what it wrote, by more than `MOST_MB` of memory or `MOST_SECONDS` of CPU time.
A case that fails is stored in `--keep`, and its seed is printed. Exits with 1 if any failed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import resource
import signal
import socket
import sys
import tempfile
import threading
import time
import unicodedata
from itertools import islice
from pathlib import Path

from hostile import made
from mutations import capture, packed

from idlehands.wire import ENVIRONMENT
from idlehands_monitor import cli
from idlehands_monitor.ingest.capture import CaptureReader

MOST_MB = 500
MOST_SECONDS = 10.0
STATUSES = (0, 2, 3)
WAYS = ("text", "markdown", "json", "html", "lines", "screen", "live", "pools", "cut")
SMALL_BYTES = 1 << 20


def main() -> int:
    """Run the cases."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=0, help="the first case")
    parser.add_argument("--cases", type=int, default=1 << 60)
    parser.add_argument("--seconds", type=float, default=1e9)
    parser.add_argument("--way", choices=WAYS, help="read all cases in one way")
    parser.add_argument("--keep", help="a folder for the cases that fail")
    options = parser.parse_args()
    began, failed, done = time.monotonic(), 0, 0
    most_mb, most_s = 0.0, 0.0
    _load()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(options.seed, options.seed + options.cases):
            if time.monotonic() - began > options.seconds:
                break
            kind, data = made(seed)
            way = options.way or WAYS[seed % len(WAYS)]
            path = Path(folder, "case.idlehands")
            path.write_bytes(data)
            failures, mb, seconds = run_case(path, way)
            if len(data) < SMALL_BYTES:
                most_mb, most_s = max(most_mb, mb), max(most_s, seconds)
            done += 1
            if failures:
                failed += 1
                print(f"seed {seed} ({kind}, {way}, {len(data)} bytes): {'; '.join(failures)}")
                if options.keep:
                    kept = Path(options.keep, f"{kind}-{seed}-{way}.idlehands")
                    kept.write_bytes(data)
                    kept.with_suffix(".err").write_bytes(path.with_suffix(".err").read_bytes())
    print(f"{done} cases, {failed} failed; at most {most_mb:.0f} MB, {most_s:.1f} s of CPU time")
    return 1 if failed else 0


def _load() -> None:
    """Import what the commands import, so that a case does not have to."""
    import idlehands_monitor.commands.capture
    import idlehands_monitor.commands.explain
    import idlehands_monitor.commands.pools
    import idlehands_monitor.commands.watch
    import idlehands_monitor.views.html
    import idlehands_monitor.views.json
    import idlehands_monitor.views.markdown
    import idlehands_monitor.views.terminal.app
    import idlehands_monitor.views.text  # noqa: F401


def run_case(path: Path, way: str) -> tuple[list[str], float, float]:
    """Return what was wrong with the reading of a file, its peak MB, its CPU seconds."""
    out, err = path.with_suffix(".out"), path.with_suffix(".err")
    pid = os.fork()
    if pid == 0:
        _child(path, way, out, err)
    deadline = time.monotonic() + 12 * MOST_SECONDS
    ended, status, used = os.wait4(pid, os.WNOHANG)
    while not ended:
        if time.monotonic() > deadline:
            os.kill(pid, signal.SIGKILL)
        time.sleep(0.005)
        ended, status, used = os.wait4(pid, os.WNOHANG)
    mb, seconds = used.ru_maxrss / 1024, used.ru_utime + used.ru_stime
    said = err.read_text("utf-8", "replace")
    failures = []
    code = os.waitstatus_to_exitcode(status)
    if code not in STATUSES or "Traceback" in said:
        failures.append(f"status {code}: {said.strip().splitlines()[-1:]}")
    for file in (out, err):
        failures += _controls(file)
    if mb > MOST_MB:
        failures.append(f"{mb:.0f} MB")
    if seconds > MOST_SECONDS and path.stat().st_size < SMALL_BYTES:
        failures.append(f"{seconds:.1f} s")
    return failures, mb, seconds


def _controls(file: Path) -> list[str]:
    text = file.read_bytes().decode("utf-8", "surrogateescape")
    found = {
        letter
        for letter in set(text) - {"\n"}
        if unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp")
    }
    return [f"{sorted(found)!a} in the output"] if found else []


def _child(path: Path, way: str, out: Path, err: Path) -> None:
    """Read the file in one way, and end this process."""
    status = 70
    try:
        for number, file in ((1, out), (2, err)):
            target = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(target, number)
        sys.stdout = io.TextIOWrapper(os.fdopen(1, "wb", closefd=False), "utf-8")
        sys.stderr = io.TextIOWrapper(os.fdopen(2, "wb", closefd=False), "utf-8")
        resource.setrlimit(resource.RLIMIT_CPU, (int(3 * MOST_SECONDS),) * 2)
        status = _read(path, way, out)
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(status)


def _read(path: Path, way: str, out: Path) -> int:
    if way == "text":
        return cli.main(["explain", str(path)])
    if way == "cut":
        return cli.main(["explain", "--no-gains", "--from", "5ms", "--to", "1h", str(path)])
    if way == "json":
        return cli.main(["explain", "--json", str(path)])
    if way == "markdown":
        return cli.main(["explain", "--markdown", str(path)])
    if way == "html":
        page = path.with_suffix(".html")
        status = cli.main(["explain", "--force", "--html", str(page), str(path)])
        if status == 0:
            out.write_bytes(page.read_bytes())
        return status
    if way == "lines":
        return cli.main(["watch", "--no-screen", "--speed", "1000", "--for", "300ms", str(path)])
    if way == "screen":
        return _screen(path)
    with _answering(path.read_bytes(), path.parent):
        if way == "pools":
            return cli.main(["pools"])
        return cli.main(["explain", "--for", "300ms", str(os.getpid())])


def _screen(path: Path) -> int:
    """Draw the screens of the capture's end, and write what a terminal would be given."""
    import asyncio

    from idlehands_monitor.model.errors import CommandError
    from idlehands_monitor.session.feed import Feed
    from idlehands_monitor.session.session import Session
    from idlehands_monitor.session.targets import open_replay
    from idlehands_monitor.views.terminal.app import Dashboard

    try:
        source = open_replay(str(path), 1000.0)
    except CommandError:
        return 2
    source.play_all()

    async def draw() -> None:
        app = Dashboard(Session(Feed(source, 10_000_000_000)))
        async with app.run_test(size=(110, 40)) as pilot:
            for key in ("s", "escape", "enter", "escape", "t", "escape", "p"):
                for row in app.screen._compositor.render_strips():
                    sys.stdout.write("".join(segment.text for segment in row) + "\n")
                await pilot.press(key)

    asyncio.run(draw())
    return 0


@contextlib.contextmanager
def _answering(data: bytes, folder: Path):
    """Serve the frames of a file on a socket that a probe of this process would have."""
    place = Path(tempfile.mkdtemp(prefix="sockets-", dir=folder))  # process ids come back
    os.environ[ENVIRONMENT] = str(place)
    file = folder / "served.idlehands"
    file.write_bytes(data)
    hello = capture()  # a file that is no capture is served as it is
    try:
        frames = b"".join(block.frames for block in islice(CaptureReader(file), 2))
    except ValueError:
        frames = data[len(hello) :]
    frames = _of_this_process() + frames
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(place / f"{os.getpid()}.sock"))
        listener.listen()

        def serve() -> None:
            with contextlib.suppress(OSError):  # until the listener is closed
                while True:
                    connection, _ = listener.accept()
                    with contextlib.suppress(OSError):
                        connection.sendall(frames)
                    connection.close()

        threading.Thread(target=serve, daemon=True).start()
        yield


def _of_this_process() -> bytes:
    return packed({"frame": "hello", "version": 3, "pid": os.getpid(), "argv0": "job.py"})


if __name__ == "__main__":
    sys.exit(main())
