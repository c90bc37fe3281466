"""How tasks flow through a pool, beside what queueing theory says of that."""
