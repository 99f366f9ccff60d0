"""A measured value on the axis of its calibration curve: its bar lies below the colours of the curve."""

from __future__ import annotations

import numpy as np

from calibration.curve import Curve
from shared.text import ValueWithInterval
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, bar_on


def ramp_bar(curve: Curve, x: ValueWithInterval | None, bounds: LimitBounds, tone: Tone) -> WindowBar:
    """Return a bar on the curve's own scale; what lies beyond its ends is drawn at the ends."""
    def place(value: float) -> float:
        low, high = curve.scale.low, curve.scale.high
        return float(100 * np.clip(curve.scale.position(min(high, max(low, value))), 0.0, 1.0))

    return bar_on(place, x, bounds, tone=tone, label="")
