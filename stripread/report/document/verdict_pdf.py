"""Verdicts and window bars on a PDF page, as `mark` and `window` in figures.html draw them."""

from __future__ import annotations

from typing import Any, Final

from reportlab.platypus import Flowable, Paragraph

from stripread.report.document.plot_pdf import colour
from stripread.report.figures.window import WindowBar

#: Tones that are verdicts: within limits, inconclusive, out of limits.
VERDICTS: Final = ("good", "open", "bad")
#: Room for a mark and the gap after it; size of one unit of its 28 by 16 grid; all in points.
MARK, _UNIT = 22.0, 0.6
#: Height of the mark's middle above the base line of the first line.
_MIDDLE: Final = 3.2


class Verdict(Flowable):
    """A mark and a paragraph, which stay together."""

    def __init__(self, words: Paragraph, tone: str) -> None:
        super().__init__()
        self.words, self.tone = words, tone
        self.spaceBefore, self.spaceAfter = words.getSpaceBefore(), words.getSpaceAfter()

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Return width and height."""
        width, self.height = self.words.wrap(available_width - MARK, available_height)
        return width + MARK, self.height

    def draw(self) -> None:
        """Draw the mark next to the first line."""
        self.words.drawOn(self.canv, MARK, 0)
        pen = self.canv
        pen.saveState()
        pen.translate(0, self.height - self.words.style.fontSize + _MIDDLE)
        pen.scale(_UNIT, _UNIT)
        pen.setStrokeColor(colour(f"var(--{self.tone})"))
        pen.setFillColor(colour(f"var(--{self.tone})"))
        pen.setLineWidth(2)
        _SHAPES[self.tone](pen)
        pen.restoreState()


def _within(pen: Any) -> None:
    _ticks(pen, 4, 24)
    _disc(pen, 14)


def _inconclusive(pen: Any) -> None:
    _ticks(pen, 4, 18)
    pen.line(10, 0, 27, 0)
    _ring(pen, 18)


def _out(pen: Any) -> None:
    _ticks(pen, 2, 11)
    _diamond(pen, 22)


def _disc(pen: Any, x: float) -> None:
    pen.circle(x, 0, 4.5, stroke=0, fill=1)


def _ring(pen: Any, x: float) -> None:
    pen.setFillColor(colour("var(--sheet)"))
    pen.circle(x, 0, 4, stroke=1, fill=1)


def _diamond(pen: Any, x: float) -> None:
    shape = pen.beginPath()
    shape.moveTo(x, 5.5)
    for right, up in ((5.5, 0), (0, -5.5), (-5.5, 0)):
        shape.lineTo(x + right, up)
    shape.close()
    pen.drawPath(shape, stroke=0, fill=1)


def _ticks(pen: Any, *places: float) -> None:
    for x in places:
        pen.line(x, -6, x, 6)


_SHAPES: Final = {"good": _within, "open": _inconclusive, "bad": _out}


class Window(Flowable):
    """A value with its interval on its limits."""

    def __init__(self, bar: WindowBar) -> None:
        super().__init__()
        self.bar = bar

    def wrap(self, available_width: float, _available_height: float) -> tuple[float, float]:
        """Return width and height."""
        self.width, self.height = min(available_width, _WIDEST), _TALL
        return self.width, self.height

    def draw(self) -> None:
        """Draw line, limits, interval and value."""
        pen, bar, unit = self.canv, self.bar, self.width / 100 / _UNIT
        pen.saveState()
        pen.translate(0, self.height / 2)
        pen.scale(_UNIT, _UNIT)
        self._limits(unit)
        pen.setStrokeColor(colour("var(--ink)"))
        pen.setLineWidth(1.5)
        if bar.interval is not None:
            low, high = (unit * x for x in bar.interval)
            pen.line(low, 0, high, 0)
            pen.lines([(x, -3, x, 3) for x in (low, high)])
        if bar.at is not None:
            tone, shape = _VALUES[bar.tone]
            pen.setFillColor(colour(f"var(--{tone})"))
            pen.setStrokeColor(colour(f"var(--{tone})"))
            shape(pen, unit * bar.at)
        pen.restoreState()

    def _limits(self, unit: float) -> None:
        pen, (left, right) = self.canv, self.bar.band
        pen.setStrokeColor(colour("var(--line)"))
        pen.line(0, 0, 100 * unit, 0)
        pen.setFillColor(colour("var(--band)"))
        pen.rect(unit * left, -5, unit * (right - left), 10, stroke=0, fill=1)
        pen.setFillColor(colour("var(--edge)"))
        if self.bar.zone is not None:
            pen.rect(unit * self.bar.zone[0], -8, unit * (self.bar.zone[1] - self.bar.zone[0]), 3, stroke=0, fill=1)
        pen.setStrokeColor(colour("var(--edge)"))
        pen.lines([(unit * x, -7, unit * x, 7) for x in self.bar.limits])


#: Largest width and height of a bar, points.
_WIDEST, _TALL = 130.0, 11.0
#: Colour and shape of a value by its verdict; within limits is quiet.
_VALUES: Final = {"ok": ("ink", _disc), "nr": ("soft", _disc), "un": ("open", _ring), "out": ("bad", _diamond)}
