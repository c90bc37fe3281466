"""The stack of one thread of a running process, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..ingest.sources.stacks import StackError
from ..ledger.stacks import StackFrame

if TYPE_CHECKING:
    from ..ingest.sources.stacks import PySpyThread
    from .machine import Machine

NOT_RUNNING = "none, only a running process has one."


@dataclass(frozen=True, slots=True)
class Stack:
    """One thread's stack, innermost frame first. missing: why it could not be read, or ""."""

    owns_interpreter_lock: bool = False
    frames: tuple[StackFrame, ...] = ()
    missing: str = ""


async def read_stack(machine: Machine, pid: int, native_id: int, ident: int) -> Stack:
    """Return the present stack of one thread; pid -1 stands for a process that does not run."""
    if pid < 0:
        return Stack(missing=NOT_RUNNING)
    try:
        return stack_of(await machine.dump(pid), native_id, ident)
    except StackError as error:
        return Stack(missing=str(error))


def stack_of(threads: list[PySpyThread], native_id: int, ident: int) -> Stack:
    """Return the stack of one thread, found by its kernel id or its `threading` ident.

    Across process-id namespaces the kernel id differs, the ident does not. Raises StackError.
    """
    for key, value in (("thread_id", ident), ("os_thread_id", native_id)):
        for thread in threads:
            if thread.get(key) == value:
                frames = tuple(
                    StackFrame(str(f.get("name")), str(f.get("filename")), int(f.get("line") or 0))
                    for f in thread.get("frames", [])
                )
                return Stack(bool(thread.get("owns_gil")), frames)
    raise StackError("its thread is no longer there")
