"""People looking over what was read: which first, what they decide, and how well they agree."""
