"""Photographs on their way in: received, evaluated on their chart, assessed for their machine, stored, purged."""
