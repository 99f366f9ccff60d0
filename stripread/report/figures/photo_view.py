"""Photograph with its overlay, turned by the card's corners and cropped by the view box: no second file is needed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from stripread.reading.result import Point, Reading

#: What is shown: the whole photograph, the card, or the strip's pads.
Crop = Literal["full", "card", "strip"]
#: Margin around what is shown, as a fraction of its longer side.
_MARGINS: Final[dict[Crop, float]] = {"full": 0.0, "card": 0.03, "strip": 0.12}
#: Letters next to the pads, as a fraction of the distance between two pads.
_LETTER: Final = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """``turn``: degrees about ``centre``. View ``box`` and overlay (``path``, ``labels``) are those after the turn."""

    href: str
    size: tuple[float, float]
    turn: float
    centre: Point
    box: tuple[float, float, float, float]
    path: str
    labels: tuple[tuple[str, Point], ...]
    letter: float


def photo_view(reading: Reading, href: str, size: tuple[float, float], crop: Crop = "card") -> PhotoView:
    """Return the view of a reading's photograph; without a located card it is the whole photograph, not turned."""
    quads = ([reading.card.corners_px] if reading.card else []) + [p.outline_px for p in reading.pads]
    if reading.card is None or (crop == "strip" and not reading.pads):
        crop = "full"
    angle = 0.0 if crop == "full" or reading.card is None else _angle(reading.card.corners_px)
    centre = _mean(reading.card.corners_px) if reading.card else (size[0] / 2, size[1] / 2)
    turned = [[_turned(p, centre, angle) for p in quad] for quad in quads]
    pads = [_turned(p.px, centre, angle) for p in reading.pads]
    spacing = math.dist(pads[0], pads[-1]) / (len(pads) - 1) if len(pads) > 1 else size[0] / 40
    return PhotoView(
        href=href, size=size, turn=round(angle, 2), centre=centre, box=_box(crop, turned, size),
        letter=spacing * _LETTER,
        path="".join(f"M{'L'.join(f'{x:.0f} {y:.0f}' for x, y in quad)}z" for quad in turned),
        labels=tuple((str(n), (x, y - spacing * 0.75)) for n, (x, y) in enumerate(pads, 1)))


def _box(crop: Crop, quads: list[list[Point]], size: tuple[float, float]) -> tuple[float, float, float, float]:
    if crop == "full":
        return 0.0, 0.0, size[0], size[1]
    shown = [p for quad in (quads[:1] if crop == "card" else quads[1:]) for p in quad]
    xs, ys = [x for x, _ in shown], [y for _, y in shown]
    width, height = max(xs) - min(xs), max(ys) - min(ys)
    margin = _MARGINS[crop] * max(width, height)
    # Above the pads are their numbers.
    above = margin + (height if crop == "strip" else 0.0)
    return min(xs) - margin, min(ys) - above, width + 2 * margin, height + margin + above


def _angle(corners: tuple[Point, Point, Point, Point]) -> float:
    """Return the turn that makes the card's upper edge horizontal, degrees."""
    (x0, y0), (x1, y1) = corners[:2]
    return -math.degrees(math.atan2(y1 - y0, x1 - x0))


def _turned(point: Point, centre: Point, degrees: float) -> Point:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    x, y = point[0] - centre[0], point[1] - centre[1]
    return x * c - y * s + centre[0], x * s + y * c + centre[1]


def _mean(points: Iterable[Point]) -> Point:
    given = list(points)
    return sum(x for x, _ in given) / len(given), sum(y for _, y in given) / len(given)
