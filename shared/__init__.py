"""Code shared by all packages: errors, flags, analytes and units, colour, estimates, water chemistry."""
