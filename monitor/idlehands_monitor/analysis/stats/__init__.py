"""Numerics that several packages of analysis need."""
