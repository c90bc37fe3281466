"""A part of the package."""

offset = 10
