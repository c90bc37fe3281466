"""Sources: the only I/O on the way in. Each turns something outside into frames."""
