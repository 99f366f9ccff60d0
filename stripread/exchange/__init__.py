"""Import and export: whole records between stores, tables of readings for other programs, CSV tables of users."""
