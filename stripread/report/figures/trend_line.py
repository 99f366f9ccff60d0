"""Small trend line of one quantity on its limits, for lists: the limits at the same height in every line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from assess.decision import Verdict
from assess.draws import Interval
from stripread.report.figures.window import LimitBounds, Tone, list_bar, tone

#: View box, and margins for the last mark.
WIDTH, HEIGHT = 72.0, 28.0
_LEFT, _RIGHT, _EDGE = 3.0, 6.0, 2.0
_FULL: Final = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendLine:
    """``points`` in pixels, oldest first; ``band``: top and height of the limits; the last point has the mark."""

    tone: Tone
    points: tuple[tuple[float, float], ...]
    band: tuple[float, float]
    label: str


def trend_line(values: Sequence[float], bounds: LimitBounds, verdict: Verdict | None, label: str) -> TrendLine:
    """Return the line of values, oldest first; ``verdict`` of the last."""
    step = (WIDTH - _LEFT - _RIGHT) / max(1, len(values) - 1)
    places = [list_bar(Interval(value=v, low=v, high=v), bounds, verdict) for v in values]
    low, high = (places[0].band if places else (0.0, _FULL))
    return TrendLine(
        tone=tone(verdict), label=label, band=(round(_height(high), 1), round(_height(low) - _height(high), 1)),
        points=tuple((round(_LEFT + i * step, 1), round(_height(p.at or 0.0), 1)) for i, p in enumerate(places)))


def _height(percent: float) -> float:
    return HEIGHT - _EDGE - (HEIGHT - 2 * _EDGE) * percent / _FULL
