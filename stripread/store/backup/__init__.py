"""A copy of the whole store in a folder, made while it is in use, from which either kind of database can be restored.

``records.zip`` holds every table, also names of persons and the hashes by which they sign in, and is for its owner's
eyes only; ``photographs`` the originals under their SHA-256.
"""
