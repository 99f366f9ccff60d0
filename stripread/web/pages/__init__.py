"""Handlers of the pages, one file per subject."""
