"""Makes docs/dashboard.svg: the real screen of a running demonstration, without web fonts.

Run from the repository's root, in an environment with the extra ``monitor``::

    python docs/picture.py
"""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
from pathlib import Path

os.environ.update(TERM="xterm-256color", COLORTERM="truecolor")
os.environ.pop("NO_COLOR", None)

from idlehands_monitor.ingest.sources.live import LiveSource
from idlehands_monitor.session.feed import Feed
from idlehands_monitor.session.session import Session
from idlehands_monitor.views.terminal.app import Dashboard

PICTURE = Path(__file__).with_name("dashboard.svg")
SECONDS = 25.0
WINDOW_NS = 10_000_000_000


async def take(app: Dashboard) -> str:
    """Run the dashboard headless for a while; return its screen as SVG."""
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause(SECONDS)
        await pilot.press("tab", "right", "right", "right", "down")
        await pilot.pause(0.6)
        return app.export_screenshot(title="idlehands watch tide-archive")


def without_web_fonts(svg: str) -> str:
    """Return the picture with the viewer's own monospaced font and nothing to fetch."""
    svg = re.sub(r"@font-face\s*\{[^}]*\}", "", svg)
    svg = svg.replace("Fira Code", "monospace").replace("monospace, monospace", "monospace")
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    return re.sub(r"\n\s*\n+", "\n", svg)


def main() -> int:
    """Start the demonstration, watch it, write the picture."""
    fault = ["--fault", sys.argv[1]] if len(sys.argv) > 1 else []
    program = subprocess.Popen(
        [sys.executable, "-m", "idlehands_demo", *fault], stdout=subprocess.DEVNULL
    )
    source = LiveSource(str(program.pid))
    try:
        session = Session(Feed(source, WINDOW_NS))
        session.names_causes = True
        svg = asyncio.run(take(Dashboard(session)))
        session.close()
    finally:
        source.close()
        program.terminate()
        program.wait()
    PICTURE.write_text(without_web_fonts(svg), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
