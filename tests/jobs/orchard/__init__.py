"""An orchard, a package that is run with `-m`."""
