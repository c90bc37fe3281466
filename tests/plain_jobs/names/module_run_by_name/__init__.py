"""A package."""
