"""Drawing in a PDF: the embedded typeface, the colours of the style sheet for print, plots as vectors and text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from math import cos, pi, sin
from typing import Final

from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable

from stripread.report.render import Plot, PlotDot

REGULAR, BOLD = "Roboto", "Roboto-Bold"
#: Roboto 2.138 (2017), Copyright 2011 Google Inc., Apache License 2.0: unchanged files with their licence.
_FOLDER: Final = "roboto"
_FILES: Final = {REGULAR: "Roboto-Regular.ttf", BOLD: "Roboto-Bold.ttf"}
#: Replaces a character that the typeface does not contain.
MISSING: Final = "\N{REPLACEMENT CHARACTER}"
_VARIABLE = re.compile(r"--(\w+): (#[0-9a-f]{6})")


@cache
def register() -> frozenset[int]:
    """Register the typeface with the PDF library. Return its characters as code points."""
    folder, known = files("stripread.report.document") / _FOLDER, []
    for name, file in _FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)
    return frozenset.intersection(*known)


def printable(text: str) -> str:
    """Return the text with `MISSING` for each character that the typeface does not contain."""
    known = register()
    return "".join(c if ord(c) in known or c == "\n" else MISSING for c in text)


@cache
def colours() -> dict[str, Color]:
    """Return the light colours of the style sheet by name."""
    style = (files("stripread.report") / "templates" / "style.css").read_text(encoding="utf-8")
    light = style[: style.index("}")]
    return {name: HexColor(value) for name, value in _VARIABLE.findall(light)}


def colour(css: str) -> Color:
    """Return a colour of a plot, given as ``var(--ink)`` or ``#rrggbb``."""
    return HexColor(css) if css.startswith("#") else colours()[css.removeprefix("var(--").removesuffix(")")]


Point = tuple[float, float]

_TOKEN = re.compile(r"[a-zA-Z]|-?(?:\d+\.?\d*|\.\d+)")
#: Number of arguments of a command; an arc is a half circle: radius, flags and end.
_TAKES = {"m": 2, "l": 2, "h": 1, "v": 1, "a": 7, "z": 0}
_STEPS = 12


def outline(path: str) -> list[Point]:
    """Return the points of a closed outline about (0, 0), y downwards. Raises ValueError for an unknown command."""
    points: list[Point] = [(0.0, 0.0)]
    for command, numbers in _commands(path):
        points += _drawn(command, numbers, points[-1])
    return points[1:]


def _commands(path: str) -> Iterator[tuple[str, list[float]]]:
    tokens, command = _TOKEN.findall(path), ""
    while tokens:
        command = tokens.pop(0) if tokens[0].isalpha() else {"M": "L", "m": "l"}.get(command, command)
        if command.lower() not in _TAKES:
            raise ValueError(f"unknown path command {command!r}")
        n = _TAKES[command.lower()]
        yield command, [float(tokens.pop(0)) for _ in range(n)]


def _drawn(command: str, numbers: list[float], at: Point) -> list[Point]:
    x, y = at if command.islower() else (0.0, 0.0)
    match command.lower():
        case "m" | "l":
            return [(x + numbers[0], y + numbers[1])]
        case "h":
            return [(x + numbers[0], at[1])]
        case "v":
            return [(at[0], y + numbers[0])]
        case "a":
            return _half_circle(at, (x + numbers[5], y + numbers[6]))
        case _:
            return []


def _half_circle(start: Point, end: Point) -> list[Point]:
    """Return a half circle from one end of a diameter to the other, clockwise as y points down."""
    cx, cy = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    dx, dy = start[0] - cx, start[1] - cy
    turns = (pi * i / _STEPS for i in range(1, _STEPS + 1))
    return [(cx + dx * cos(t) - dy * sin(t), cy + dx * sin(t) + dy * cos(t)) for t in turns]


#: Font size in units of the plot, as in HTML.
_SIZE = 14.0
#: Largest scale: points per unit of the plot.
_LARGEST = 0.625
_RING = 10.0


class PlotFlowable(Flowable):
    """Plot, scaled to its column."""

    def __init__(self, plot: Plot) -> None:
        super().__init__()
        self.plot = plot
        self.scale = 1.0

    def wrap(self, available_width: float, _available_height: float) -> tuple[float, float]:
        """Return width and height in points."""
        width, height = self.plot.frame.size
        self.scale = min(available_width / width, _LARGEST)
        return width * self.scale, height * self.scale

    def draw(self) -> None:
        """Draw the plot in its own units, y downwards."""
        self.canv.saveState()
        self.canv.scale(self.scale, self.scale)
        self._axes()
        self._inside()
        for dot in self.plot.dots:
            self._dot(dot)
        for label in self.plot.labels:
            self._word((label.x, label.y), label.text, anchor=label.anchor, font=BOLD)
        self.canv.restoreState()

    def _y(self, y: float) -> float:
        return self.plot.frame.size[1] - y

    def _axes(self) -> None:
        plot, (left, top, right, bottom) = self.plot, self.plot.frame.field
        self.canv.setLineWidth(1)
        self.canv.setStrokeColor(colour("var(--line)"))
        self.canv.rect(left, self._y(bottom), right - left, bottom - top)
        self.canv.setStrokeColor(colour("var(--soft)"))
        for value, name in plot.x_ticks:
            x = plot.frame.across(value)
            self.canv.line(x, self._y(bottom), x, self._y(bottom + 5))
            self._word((x, bottom + 20), name)
        for value, name in plot.y_ticks:
            y = plot.frame.up(value)
            self.canv.line(left - 5, self._y(y), left, self._y(y))
            self._word((left - 8, y + 5), name, anchor="end")
        self._word((right, bottom + 41), plot.x_title, anchor="end")
        self._word((left + 8, top + 18), plot.y_title, anchor="start")

    def _inside(self) -> None:
        """Draw areas and lines, clipped at the frame."""
        left, top, right, bottom = self.plot.frame.field
        self.canv.saveState()
        field = self.canv.beginPath()
        field.rect(left, self._y(bottom), right - left, bottom - top)
        self.canv.clipPath(field, stroke=0, fill=0)
        for area in self.plot.areas:
            self._through(_pairs(area.points), fill=_faint(colour(area.colour), area.opacity))
        for line in self.plot.lines:
            self.canv.setLineWidth(line.width)
            self.canv.setLineCap(1)
            self.canv.setDash([float(n) for n in line.dash.split()] if line.dash else [])
            self._through(_pairs(line.points), stroke=colour(line.colour))
        self.canv.restoreState()

    def _dot(self, dot: PlotDot) -> None:
        self.canv.setLineWidth(1)
        if dot.ringed:
            self.canv.setStrokeColor(colour("var(--bad)"))
            self.canv.circle(dot.x, self._y(dot.y), _RING)
        ink, sheet = colour("var(--ink)"), colour("var(--sheet)")
        places = [(dot.x + x, dot.y + y) for x, y in outline(dot.shape)]
        self._through(places, stroke=ink if dot.hollow else sheet, fill=sheet if dot.hollow else ink, close=True)

    def _through(self, places: list[tuple[float, float]], *, stroke: Color | None = None, fill: Color | None = None,
                 close: bool = False) -> None:
        if not places:
            return
        path = self.canv.beginPath()
        path.moveTo(places[0][0], self._y(places[0][1]))
        for x, y in places[1:]:
            path.lineTo(x, self._y(y))
        if close or fill is not None:
            path.close()
        if stroke is not None:
            self.canv.setStrokeColor(stroke)
        if fill is not None:
            self.canv.setFillColor(fill)
        self.canv.drawPath(path, stroke=int(stroke is not None), fill=int(fill is not None))

    def _word(self, at: tuple[float, float], text: str, *, anchor: str = "middle", font: str = REGULAR) -> None:
        self.canv.setFont(font, _SIZE)
        self.canv.setFillColor(colour("var(--ink)"))
        draw = {"start": self.canv.drawString, "middle": self.canv.drawCentredString,
                "end": self.canv.drawRightString}[anchor]
        draw(at[0], self._y(at[1]), printable(text))


def _pairs(points: str) -> list[tuple[float, float]]:
    """Return points in SVG notation as numbers."""
    places = [tuple(map(float, pair.split(","))) for pair in points.split()]
    return [(x, y) for x, y in places]


def _faint(full: Color, opacity: float) -> Color:
    """Return the colour blended with white: some printers do not support transparency."""
    return Color(*(1 - opacity * (1 - part) for part in (full.red, full.green, full.blue)))
