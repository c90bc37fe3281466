"""How a pool uses its deques: at which ends, sizes of stolen tasks, contention."""
