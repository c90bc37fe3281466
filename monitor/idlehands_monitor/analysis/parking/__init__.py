"""How workers park and wake, and what spinning before a park would have cost."""
