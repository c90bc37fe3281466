"""Numerics that several questions need."""
