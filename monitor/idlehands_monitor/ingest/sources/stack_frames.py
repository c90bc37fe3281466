"""Turns py-spy's description of threads into ``stacks`` frames.

Text from the process is cut to a bounded length here, and cleaned where it is shown. No I/O.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from idlehands.wire import WireError

from ..intake import made
from .thread_ids import UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from idlehands.wire import Frame

    from .. import Piece
    from .stacks import PySpyThread

MOST_FRAMES = 40
OUTERMOST_FRAMES = 12
"""Of a deeper stack so many are the outermost frames, which show whose thread it is."""
LEFT_OFF = ["…", "", 0]
"""Stands where a deeper stack was cut."""
MOST_LETTERS = 200


def dump_frame(
    pid: int, times: tuple[int, int], threads: list[Frame], missing: str, parent: int = UNKNOWN
) -> Frame:
    """Return the ``stacks`` frame of a dump.

    times: between which the stacks were read, in ns. missing: why it has no threads, or "".
    """
    return {
        "frame": "stacks",
        "began_ns": times[0],
        "at_ns": times[1],
        "pid": pid,
        "parent": parent,
        "missing": missing,
        "threads": threads,
    }


def dump_pieces(frame: Frame) -> list[Piece]:
    """Return a ``stacks`` frame as if it had arrived, in several with one timestamp if it is too
    long."""
    try:
        return made(frame)
    except WireError:
        threads = frame["threads"]
        if len(threads) < 2:
            return []
        middle = len(threads) // 2
        halves = threads[:middle], threads[middle:]
        return [piece for half in halves for piece in dump_pieces({**frame, "threads": half})]


def thread_of(
    pid: int, thread: PySpyThread, ids: Mapping[int, int], waits: Mapping[int, str]
) -> Frame:
    """Return one thread of a dump, in the form for a ``stacks`` frame."""
    ident = int(thread.get("thread_id") or UNKNOWN)
    native = ids.get(ident, UNKNOWN)
    found = thread_frame(pid, native, ident, thread.get("thread_name") or "")
    found["owns_lock"] = bool(thread.get("owns_gil"))
    found["wait"] = waits.get(native, "")
    found["frames"] = frames_of(thread.get("frames") or [])
    return found


def frames_of(frames: list[Frame]) -> list[list[object]]:
    """Return a stack as [[function, file, line]], innermost first, at most `MOST_FRAMES`.

    The frames that a forked child has from its parent are left out.
    """
    begin = "multiprocessing/process.py"
    stack: list[list[object]] = []
    for frame in frames:
        name, file = clip(frame.get("name")), clip(frame.get("filename"))
        stack.append([name, file, int(frame.get("line") or 0)])
        if name.endswith("_bootstrap") and file.endswith(begin):
            break
    if len(stack) > MOST_FRAMES:
        innermost = MOST_FRAMES - OUTERMOST_FRAMES - 1
        stack = [*stack[:innermost], LEFT_OFF, *stack[-OUTERMOST_FRAMES:]]
    return stack


def thread_frame(pid: int, native_id: int, ident: int, name: str) -> Frame:
    """Return a thread without a stack, in the form for a ``stacks`` frame."""
    return {
        "pid": pid,
        "native_id": native_id,
        "ident": ident,
        "name": clip(name),
        "owns_lock": False,
        "wait": "",
        "frames": [],
    }


def clip(text: object) -> str:
    """Return at most `MOST_LETTERS` characters of a text: its end, which distinguishes paths."""
    return str(text)[-MOST_LETTERS:]
