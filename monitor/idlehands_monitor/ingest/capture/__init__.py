"""The capture file: the frames of a stream on disk. Only this package knows the format."""

from .format import MAGIC, MINOR, VERSION, Block, CaptureError, NotACapture
from .reader import CaptureReader
from .writer import CaptureWriter, as_capture_errors

__all__ = [
    "MAGIC",
    "MINOR",
    "VERSION",
    "Block",
    "CaptureError",
    "CaptureReader",
    "CaptureWriter",
    "NotACapture",
    "as_capture_errors",
]
