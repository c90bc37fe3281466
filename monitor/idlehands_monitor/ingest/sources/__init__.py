"""Sources: the only input of data. Each reads something outside and makes frames of it."""
