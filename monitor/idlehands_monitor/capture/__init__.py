"""The capture file: the frames of a stream, kept. This package alone knows the format."""

from .format import MAGIC, VERSION, Block, CaptureError, NotACapture
from .reader import CaptureReader
from .writer import CaptureWriter

__all__ = [
    "MAGIC",
    "VERSION",
    "Block",
    "CaptureError",
    "CaptureReader",
    "CaptureWriter",
    "NotACapture",
]
