"""The vocabulary and every dataclass of a reading; imports nothing of the monitor."""
