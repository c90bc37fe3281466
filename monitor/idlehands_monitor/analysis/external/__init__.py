"""The pools of an external process, one without a probe, from samples of its threads."""
