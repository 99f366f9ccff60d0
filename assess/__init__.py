"""From values to a decision about one machine and one cup."""
