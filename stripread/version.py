"""The one place that holds the version; it is written into every reading."""

__version__ = "0.1.0"
