"""Arguments of the command line: from the text that a person typed to a value.

Only argparse is imported, so that `--help` answers at once. Every function raises
`argparse.ArgumentTypeError` with one line for a person.
"""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

from ..model.bounds import UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence

SIZES = {"KB": 1000, "MB": 1000**2, "GB": 1000**3, "KIB": 1 << 10, "MIB": 1 << 20, "GIB": 1 << 30}
LEAST_SIZE = 1 << 20
MOST_WORKERS = 1024


def duration(text: str) -> float:
    """Parse 500ms, 20s, 5m, 1h or bare seconds into seconds, above 0."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?|\.\d+)(ms|s|m|min|h|)", text.strip())
    if match is None or float(match[1]) <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no duration such as 500ms, 20s or 5m")
    return float(match[1]) * UNITS[match[2]]


def size(text: str) -> int:
    """Parse 512MB, 1.5GB or 64MiB into bytes, from 1 MiB on."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([KMG]i?B)", text.strip(), re.IGNORECASE)
    found = int(float(match[1]) * SIZES[match[2].upper()]) if match else 0
    if found < LEAST_SIZE:
        raise argparse.ArgumentTypeError(f"{text!r} is no size such as 512MB, from 1MiB on")
    return found


def speed(text: str) -> float:
    """Parse a replay speed, a number from 0.01 to 1000; an x or × may follow."""
    value = _float(text.rstrip("x×"))
    if value is None or not 0.01 <= value <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is no speed from 0.01 to 1000")
    return value


def number(text: str) -> float:
    """Parse a number above 0, at most 1024."""
    value = _float(text)
    if value is None or not 0 < value <= MOST_WORKERS:
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0, up to {MOST_WORKERS}")
    return value


def at_least_one(text: str) -> int:
    """Parse a whole number from 1 to 1024."""
    if not re.fullmatch(r"\d{1,4}", text) or not 1 <= int(text) <= MOST_WORKERS:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 1 to {MOST_WORKERS}")
    return int(text)


def workers(text: str) -> tuple[int, ...]:
    """Parse a number of workers, or a range such as 1..64, into all its numbers."""
    low, dots, high = text.partition("..")
    first = at_least_one(low)
    last = at_least_one(high) if dots else first
    if last < first:
        raise argparse.ArgumentTypeError(f"{text!r} is no range: {first} is more than {last}")
    return tuple(range(first, last + 1))


def ratio(text: str) -> float:
    """Parse x2, ×3 or 2 (times as large) or /2, ÷4 (divided into so many)."""
    match = re.fullmatch(r"([x×/÷]?)(\d{1,3})", text.strip())
    if match is None or int(match[2]) < 2:
        raise argparse.ArgumentTypeError(f"{text!r} is neither x2, x3, ... nor /2, /3, ...")
    return 1 / int(match[2]) if match[1] in ("/", "÷") else float(match[2])


def shorter(text: str) -> float:
    """Parse -50% into the factor 0.5; +20% into 1.2."""
    match = re.fullmatch(r"([+-]?)(\d{1,4}(?:\.\d+)?)%", text.strip().replace("−", "-"))
    factor = None if match is None else 1 + float(f"{match[1]}{match[2]}") / 100
    if factor is None or not factor >= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no change such as -50% or +20%")
    return factor


def joined(arguments: Sequence[str]) -> list[str]:
    """Join an option and its value where the value is a change such as -50%.

    argparse would take that for an option.
    """
    result: list[str] = []
    for text in arguments:
        if result and result[-1].startswith("--") and re.fullmatch(r"[-−]\d+(\.\d+)?%", text):
            result[-1] += f"={text}"
        else:
            result.append(text)
    return result


def kind_factor(text: str) -> tuple[str, float]:
    """Parse NAME=-50% into a kind's name and a factor."""
    name, equals, change = text.rpartition("=")
    if not equals or not name:
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form NAME=-50%")
    return name, shorter(change)


def wanted(text: str) -> float:
    """Parse p95=50ms into seconds."""
    name, _, time = text.partition("=")
    if name.strip().lower() != "p95":
        raise argparse.ArgumentTypeError(f"{text!r} is not of the form p95=50ms")
    return duration(time)


def _float(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
