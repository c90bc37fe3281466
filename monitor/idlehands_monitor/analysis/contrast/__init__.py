"""Two sides of captures compared: what the job comes to, and which difference is worth naming."""
