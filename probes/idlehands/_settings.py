"""The settings of this process, and the error that a caller's mistake raises."""

from __future__ import annotations


class ProbeMisuse(RuntimeError):
    """The pool reported something that cannot be: the caller's mistake, not the probe's."""


class Settings:
    """Process-wide settings; see `configure`."""

    strict = True
    full_detail = False


def configure(*, strict: bool | None = None, full_detail: bool | None = None) -> None:
    """Change settings of this process; those not given stay as they are.

    Args:
        strict: whether misuse raises `ProbeMisuse` (True) or is counted (False).
        full_detail: keep recording everything, whatever it costs. Otherwise a pool gives up
            detail where the probe would take more than a hundredth of its worker time.
    """
    if strict is not None:
        Settings.strict = strict
    if full_detail is not None:
        Settings.full_detail = full_detail
