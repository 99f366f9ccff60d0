"""From standard solutions to a chart, and from a pad's colour to a value with its interval."""
