"""What would make readings on a curve more certain, in lines of text."""

from __future__ import annotations

from collections.abc import Iterator

from calibration.curve import Curve
from calibration.gain import Gain
from shared.rounding import significant

#: Significant digits of an uncertainty beside another that it is compared with.
_DIGITS = 3


def gain_lines(curve: Curve, gain: Gain) -> Iterator[str]:
    """The largest parts of the budget, and the two moves that help most."""
    first, second = gain.parts[:2]
    yield (f"{curve.analyte} at {gain.value:g} {curve.unit}: standard uncertainty {figure(gain.u)}, most of it "
           f"{first.name} ({figure(first.u)}), then {second.name} ({figure(second.u)})")
    yield from (f"  {figure(move.u)} if you {move.words}" for move in gain.moves[:2])


def figure(u: float) -> str:
    """An uncertainty to be compared with others."""
    return significant(u, _DIGITS)
