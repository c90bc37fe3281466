"""A recording as tables, as a trace and as spans, for other programs."""
