"""Simulated treatments: the water they give, what they add, how long their parts last, cautions."""
