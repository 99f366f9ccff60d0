"""How grave what is shown is: the tones of the pages' style, a verdict's, or soft for what stands behind."""

from __future__ import annotations

from typing import Literal

Tone = Literal["", "good", "open", "bad", "soft"]
