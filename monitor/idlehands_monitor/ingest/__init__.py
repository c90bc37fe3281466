"""The only way in: bytes of the wire become checked frames here, within the limits of `limits`.

The decoding and the checks do no I/O. Code that reads a socket or a file hands the bytes to a
`StreamFrames` or a `CaptureFrames`, and passes on only the frames that these return.
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
