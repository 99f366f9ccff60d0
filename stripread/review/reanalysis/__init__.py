"""Kept readings made again: as they were, to see that they can be, or on another chart, to supersede them."""
