"""A fictitious company with a year of rendered photographs, to see every command and page at work."""
