"""The commands, one module each with a `run(options)` that returns the exit status."""
