"""A capture without private names: stable stand-ins in their place, the key kept apart."""
