"""Where in the code the workers of a finding wait, and who holds what they wait for."""
