"""The options of the commands that judge captures. Only argparse is imported, as for `cli`."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

ARRIVALS = ("batch", "closed", "open")


def add_contrast(command: argparse.ArgumentParser) -> None:
    """Add the options of `idlehands contrast`."""
    command.description = (
        "Say what differs between two captures, or between several captures before and several "
        "after (BEFORE ... --against AFTER ...), which gives intervals."
    )
    command.add_argument("captures", nargs="+", metavar="CAPTURE", help="before and after")
    command.add_argument("--against", nargs="+", metavar="AFTER", help="the captures after")
    command.add_argument(
        "--arrivals",
        choices=ARRIVALS,
        help="how work comes, which decides what is compared: the time to the end, tasks a second, "
        "or the 95th percentile from hand-in to end (recognised)",
    )
    form = command.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON, schema 1")
    form.add_argument("--markdown", action="store_true", help="as Markdown, for a bug report")
    form.add_argument("--html", metavar="FILE", help="write one self-contained HTML file")
    _force(command)
    command.add_argument(
        "--no-gains", action="store_true", help="do not simulate what mending a finding would gain"
    )


def add_check(command: argparse.ArgumentParser) -> None:
    """Add the options of `idlehands check`."""
    command.description = "Hold a capture to limits. The status is 1 where one is broken."
    command.add_argument("target", metavar="FILE", help="a capture")
    command.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="NAME=MOST",
        help="such as starved=5%% or wait_p95=50ms; can be repeated",
    )
    command.add_argument(
        "--no-finding",
        action="append",
        default=[],
        metavar="CODE",
        help="a finding that no pool may have; can be repeated",
    )
    command.add_argument(
        "--gain-below", metavar="SHARE", help="each finding gains less than this, such as 10%%"
    )
    command.add_argument("--pool", default="", metavar="NAME", help="only this pool (all)")
    command.add_argument("--junit", metavar="FILE", help="write the result as JUnit XML, too")
    _force(command)


def _force(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--force", action="store_true", help="replace FILE where it is a regular file of yours"
    )
