"""One thing that is due."""

from __future__ import annotations

from datetime import date
from typing import Literal
from uuid import NAMESPACE_URL, uuid5

import msgspec

Kind = Literal["test", "treatment", "batch", "tube", "check standard", "phone", "card"]


class DueItem(msgspec.Struct, frozen=True, kw_only=True):
    """``what`` is to be done on the day ``on`` or before, and ``why``; ``subject``: id of what it is about.

    ``site`` and ``site_name`` empty: it belongs to no site.
    """

    on: date
    kind: Kind
    subject: str
    what: str
    why: str
    site: str = ""
    site_name: str = ""

    @property
    def uid(self) -> str:
        """The same for this thing each time it is told, whenever it then is due."""
        return str(uuid5(NAMESPACE_URL, f"urn:stripread:due:{self.kind}:{self.subject}"))

    @property
    def sentence(self) -> str:
        """What and where, in a line."""
        return f"{self.site_name}: {self.what}" if self.site_name else self.what
