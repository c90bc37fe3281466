"""Limits as a person writes them, such as starved=5% and wait_p95=50ms, into `Limits`."""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

from ..model.errors import CommandError
from ..model.limits import LIMIT_NAMES, TIMES, Limit, Limits, LimitUnit, Measure
from ..model.vocabulary import Category, FindingCode
from .arguments import duration

if TYPE_CHECKING:
    from collections.abc import Iterable

NOTHING = "nothing to check: give --limit, --no-finding or --gain-below"


def limits_of(
    limits: Iterable[str] = (),
    no_finding: Iterable[str] = (),
    gain_below: str | None = None,
    pool: str = "",
) -> Limits:
    """Return what the texts ask for. Raises CommandError, status 2, in one line."""
    found = Limits(
        tuple(map(_limit, limits)),
        tuple(map(_code, no_finding)),
        None if gain_below is None else _share("gain-below", gain_below),
        pool,
    )
    if found.is_empty:
        raise CommandError(NOTHING)
    return found


def _limit(text: str) -> Limit:
    name, equals, value = (part.strip() for part in text.partition("="))
    known: dict[str, Category | Measure] = {str(one): one for one in LIMIT_NAMES}
    what = known.get(name.replace("-", "_").lower())
    if what is None:
        raise CommandError(f"no limit is called {name!r}: there are {', '.join(LIMIT_NAMES)}")
    if not equals or not value:
        raise CommandError(f"{text!r} is not of the form {what}={_example(what)}")
    if what in TIMES:
        return Limit(what, _seconds(what, value), LimitUnit.SECONDS)
    if isinstance(what, Category) or (what is Measure.FAILURES and value.endswith("%")):
        return Limit(what, _share(what, value), LimitUnit.SHARE)
    if not re.fullmatch(r"\d{1,15}", value):
        raise CommandError(f"{what}: {value!r} is no number such as {_example(what)}")
    return Limit(what, float(value), LimitUnit.COUNT)


def _example(what: Category | Measure) -> str:
    if isinstance(what, Category):
        return "5%"
    return "50ms" if what in TIMES else "0"


def _seconds(what: str, value: str) -> float:
    try:
        return duration(value)
    except argparse.ArgumentTypeError as error:
        raise CommandError(f"{what}: {error}") from error


def _share(what: str, value: str) -> float:
    match = re.fullmatch(r"(\d{1,3}(?:\.\d+)?) ?%", value.strip())
    if match is None or float(match[1]) > 100:
        raise CommandError(f"{what}: {value!r} is no share from 0% to 100%")
    return float(match[1]) / 100


def _code(text: str) -> str:
    code = text.strip()
    if code not in set(FindingCode):
        raise CommandError(f"no finding is called {code!r}: there are {', '.join(FindingCode)}")
    return code
