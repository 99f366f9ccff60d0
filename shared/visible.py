"""Text that others wrote, made safe to show on a terminal."""

from __future__ import annotations

import re
from typing import Final

#: Control characters of ISO/IEC 6429 but tabs and ends of lines; what turns the direction of writing (Unicode UAX #9)
#: or ends lines otherwise; halves of pairs, which is how bytes that are no text come in names of files.
_STEERING: Final = re.compile(r"\r(?!\n)|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
_MARK: Final = "\N{REPLACEMENT CHARACTER}"


def visible(text: str) -> str:
    """The text with a mark for each character that would steer the terminal instead of being seen."""
    return _STEERING.sub(_MARK, text)
