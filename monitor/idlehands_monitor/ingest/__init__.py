"""The only way in: bytes of the wire become checked frames here, within stated limits.

Touches nothing: bytes in, frames out. Whatever reads a socket or a file hands its bytes to a
`StreamFrames` or a `CaptureFrames`, and passes on only what they return.
"""

from .checker import PAST_FIRST, checked_frames, skipped
from .checks import Refused
from .decoding import CaptureFrames, Piece, StreamFrames, pieces
from .schema import CheckedFrame

__all__ = [
    "PAST_FIRST",
    "CaptureFrames",
    "CheckedFrame",
    "Piece",
    "Refused",
    "StreamFrames",
    "checked_frames",
    "pieces",
    "skipped",
]
