"""Agreement with reference values, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calibration.agreement import LEAST_WATERS, agreement, reference_for, within
from calibration.checks import Pair
from calibration.merit import RESOLUTION_AT
from shared.analytes import ANALYTES
from shared.rounding import significant
from shared.text import many


def agreement_lines(analyte: str, pairs: Sequence[Pair]) -> Iterator[str]:
    """How many waters, bias, limits of agreement, the strip's own error, and what a reading stands for."""
    found, unit = agreement(pairs), ANALYTES[analyte].unit
    if found is None:
        yield f"{analyte}: {many(len(pairs), 'water')}; bias and agreement take {LEAST_WATERS} at least"
        return

    def told(value: float) -> str:
        return f"{100 * value:+.1f} %" if found.relative else f"{value:+.3g} {unit}"

    yield f"{analyte}: {found.n} waters"
    yield f"  bias {told(found.bias)} (95 %: {told(found.interval[0])} to {told(found.interval[1])})"
    yield f"  single readings lie within {told(found.limits[0])} and {told(found.limits[1])} of the reference (95 %)"
    yield (f"  the strip's own standard uncertainty: {told(found.intrinsic).lstrip('+')}, "
           f"at most {told(found.intrinsic_below).lstrip('+')} (95 %); state it as intrinsic_u in the strip type")
    if analyte in RESOLUTION_AT:
        yield f"  a reading of {RESOLUTION_AT[analyte]:g} {unit} {_stands_for(pairs, RESOLUTION_AT[analyte])}"


def _stands_for(pairs: Sequence[Pair], reading: float) -> str:
    if not within(pairs, reading):
        return "lies beyond what was read on these waters: they do not tell what it stands for"
    found = reference_for(pairs, reading)
    if found is None or found.interval is None:
        return "stands for nothing that so few waters could tell"
    # The line may go below nothing, a content not.
    low, high = (max(0.0, end) for end in found.interval)
    return f"stands for {significant(found.x)} ({significant(low)} to {significant(high)}, 95 %) by the reference"
