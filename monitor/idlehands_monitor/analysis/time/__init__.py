"""The time split: where every worker-second of a window went."""
