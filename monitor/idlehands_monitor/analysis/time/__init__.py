"""The time split: which category every worker-second of a window belongs to."""
