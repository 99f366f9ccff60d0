"""Trend of a sampling point: level of the water, events that changed it, and predicted exhaustion of a treatment."""
