"""Maintenance schedule: due dates of tests, treatment units, strips, check standards, phones and cards."""
