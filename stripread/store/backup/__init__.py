"""Online backup of the whole store to a folder, and its restoration into an SQLite or PostgreSQL store.

``records.zip`` contains every table, including names of persons and hashes of their passwords, and is readable by its
owner only. ``photographs`` contains the original files, named by their SHA-256.
"""
