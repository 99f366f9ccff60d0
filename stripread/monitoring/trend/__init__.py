"""The water of a sampling point over time: its level, what changed it, and when a treatment will be spent."""
