"""The state of a source, and the protocol that every source has. Touches nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from ...model.vocabulary import StreamState

if TYPE_CHECKING:
    from collections.abc import Iterator

    from idlehands.wire import Frame

    from .. import CheckedFrame


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """The state of the stream. note, warning: one line for a person each, or empty."""

    state: StreamState
    note: str = ""
    warning: str = ""


class Source(Protocol):
    """A stream of frames; its caller drains it, and it never calls back."""

    target: str

    @property
    def status(self) -> SourceStatus:
        """The present state of the stream."""

    def drain(self) -> list[CheckedFrame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""

    def portions(self) -> Iterator[list[CheckedFrame]]:
        """Yield what `drain` returns, in portions, so that not all is in memory at once."""

    def start_capture(
        self, path: str, *, replace: bool = False, most_bytes: int | None = None
    ) -> None:
        """Begin writing the stream to `path`, the recent history first; with `replace` in the place
        of a file of this user; with `most_bytes` the newest of it. Raises CaptureError."""

    def note(self, frame: Frame) -> None:
        """Put a frame made by the monitor into a live stream, and into an open capture."""

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open."""

    def pause(self, paused: bool) -> None:
        """Pause a replay; a live stream goes on."""

    def close(self) -> None:
        """End the stream, and close an open capture."""
