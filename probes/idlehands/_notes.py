"""The probe's only way to speak: the ``idlehands`` logger, found when there is something to say.

logging is not imported before that: it is not worth a host's start-up time.
"""

from __future__ import annotations


def warn(message: str, *arguments: object) -> None:
    """Log a warning."""
    import logging

    logging.getLogger("idlehands").warning(message, *arguments)
