"""The one place that holds the version; it is written into every reading."""

from typing import Final

__version__ = "0.1.0"
#: How this program calls itself in what it makes.
SOFTWARE: Final = f"stripread {__version__}"
