"""A copy of the whole store in a folder, made while it is in use, from which either kind of database can be restored.

``records.zip`` holds every table, ``photographs`` the originals under their SHA-256.
"""
