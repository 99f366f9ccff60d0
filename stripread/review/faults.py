"""What a reviewer may find at fault: few, so that they can be counted, each with its words."""

from __future__ import annotations

from typing import Final

from stripread.store.models.evidence import Fault

FAULTS: Final[dict[Fault, str]] = {
    "picture": "the picture does not show it well enough",
    "water": "it is not the water, or not the place, that it is said to be",
    "strip": "the strip was dipped, wetted or laid wrongly",
    "time": "it was photographed too early or too late",
    "material": "batch, card or chart is the wrong one, or spoilt",
    "value": "the value contradicts what else is known",
    "other": "something else, told in words",
}
