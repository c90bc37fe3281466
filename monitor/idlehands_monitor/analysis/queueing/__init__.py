"""How tasks flow through a pool, beside the waits that queueing theory expects."""
