"""What an external process, one without a probe, shows of its pools."""
