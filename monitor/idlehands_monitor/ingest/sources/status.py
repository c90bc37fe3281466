"""How a source stands, in the words the views use, and what every source offers."""

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
    """state: how the stream fares; note: one line for people."""

    state: StreamState
    note: str = ""
    warning: str = ""


class Source(Protocol):
    """A stream of frames that is asked, never asks."""

    target: str

    @property
    def status(self) -> SourceStatus:
        """How the stream stands now."""

    def drain(self) -> list[CheckedFrame]:
        """Return the frames that arrived since the last call, in order. Never blocks."""

    def portions(self) -> Iterator[list[CheckedFrame]]:
        """Yield them piece by piece, so that not all have to be in memory at once."""

    def start_capture(self, path: str, *, replace: bool = False) -> None:
        """Begin writing the stream to `path`, the recent past first, in the place of a file of this
        user's with `replace`. Raises CaptureError."""

    def note(self, frame: Frame) -> None:
        """Put a frame of the monitor's own into a live stream, and into an open capture."""

    def stop_capture(self) -> str:
        """End the capture; return its path, empty when none was open."""

    def pause(self, paused: bool) -> None:
        """Hold a replay still; a live stream goes on."""

    def close(self) -> None:
        """End the stream and close what is open."""
