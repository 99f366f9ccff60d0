"""What every room of the house uses: errors, flags, analytes and units, colour, estimates, water chemistry."""
