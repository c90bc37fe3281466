"""A dump that is broken off leaves nothing behind."""

from __future__ import annotations

import asyncio
import gc
import os
import sys

from helpers import wait_until
from idlehands_monitor.ingest.sources import stacks


def test_a_dump_that_is_broken_off_ends_its_process_before_the_loop_closes(tmp_path, monkeypatch):
    program, began = tmp_path / "py-spy", tmp_path / "began"
    program.write_text(f"#!/bin/sh\necho > {began}\nexec sleep 60\n")
    program.chmod(0o755)
    monkeypatch.setenv(stacks.ENVIRONMENT, str(program))
    complaints = []
    monkeypatch.setattr(sys, "unraisablehook", complaints.append)

    async def break_off():
        dumping = asyncio.create_task(stacks.dump(os.getpid()))
        await asyncio.to_thread(wait_until, began.exists)
        dumping.cancel()
        await asyncio.sleep(0)  # its end is under way when the runner cancels all that is left

    asyncio.run(break_off())
    gc.collect()
    assert complaints == []
