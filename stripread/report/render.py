"""Rendering of templates: all texts are escaped, unknown names raise an error; frame and content of a plot in SVG."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import ceil, floor, log10
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from shared.files import write_whole
from shared.notation import significant
from stripread.version import __version__

_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")


@cache
def environment() -> Environment:
    """Return the templates of this package."""
    made = Environment(loader=PackageLoader("stripread.report"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.globals["version"] = __version__
    made.filters["whole_days"] = whole_days
    made.filters["significant"] = significant
    return made


def whole_days(words: str) -> Markup:
    """Return a text escaped, with dates protected from line breaks."""
    # The text is escaped here.
    return Markup(_DAY.sub(r'<span class="unit">\g<0></span>', str(escape(words))))  # noqa: S704


def write_page(path: Path, template: str, *, context: Mapping[str, object]) -> None:
    """Render a template into a file. Raises FileError where the file cannot be written."""
    write_whole(path, rendered(template, context))


def rendered(template: str, context: Mapping[str, object]) -> bytes:
    """Return a rendered template."""
    return environment().get_template(template).render(context).encode()


#: Mark shapes that distinguish series without colour: outlines about (0, 0).
SHAPES = ("M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z", "M-4-4h8v8h-8z", "M0-5.5L5.5 0L0 5.5L-5.5 0z", "M0-5L5 4h-10z",
          "M-5-4h10L0 5z", "M-5-1.5h10v3h-10z")
#: Largest number of ticks of an axis.
MOST_TICKS = 7

Point = tuple[float, float]
Ticks = tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class PlotLine:
    """Line through ``points`` in SVG notation; ``dash`` empty: solid."""

    points: str
    colour: str = "var(--ink)"
    width: float = 1.5
    dash: str = ""


@dataclass(frozen=True, slots=True)
class Area:
    """Filled outline."""

    points: str
    colour: str = "var(--accent)"
    opacity: float = 0.16


@dataclass(frozen=True, slots=True)
class PlotDot:
    """Mark; ``shape``: outline about (0, 0), ``title``: tooltip."""

    x: float
    y: float
    shape: str
    title: str
    hollow: bool = False
    ringed: bool = False


@dataclass(frozen=True, slots=True)
class PlotLabel:
    """Label at a position."""

    x: float
    y: float
    text: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class Frame:
    """Maps values of two axes to a plot of ``size``; ``room``: margins left, top, right, bottom."""

    x: tuple[float, float]
    y: tuple[float, float]
    size: tuple[float, float] = (480.0, 330.0)
    room: tuple[float, float, float, float] = (56.0, 14.0, 14.0, 50.0)

    @property
    def field(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of the plotting area."""
        left, top, right, bottom = self.room
        return left, top, self.size[0] - right, self.size[1] - bottom

    def across(self, x: float) -> float:
        """Return the position of a value along the horizontal axis."""
        left, _, right, _ = self.field
        return round(left + (x - self.x[0]) / (self.x[1] - self.x[0]) * (right - left), 1)

    def up(self, y: float) -> float:
        """Return the position of a value along the vertical axis."""
        _, top, _, bottom = self.field
        return round(bottom - (y - self.y[0]) / (self.y[1] - self.y[0]) * (bottom - top), 1)

    def points(self, pairs: Iterable[Sequence[float]]) -> str:
        """Return pairs of values as points in SVG notation."""
        return " ".join(f"{self.across(x)},{self.up(y)}" for x, y in pairs)


@dataclass(frozen=True, slots=True)
class Plot:
    """Plot with axes; ``description``: its content as text, also for screen readers."""

    title: str
    description: str
    frame: Frame
    x_ticks: Ticks
    y_ticks: Ticks
    x_title: str
    y_title: str
    areas: tuple[Area, ...] = ()
    lines: tuple[PlotLine, ...] = ()
    dots: tuple[PlotDot, ...] = ()
    labels: tuple[PlotLabel, ...] = ()


def round_values(low: float, high: float) -> list[float]:
    """Return round values within a range, at most `MOST_TICKS`: steps of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / (MOST_TICKS - 1)
    power = 10.0 ** floor(log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough)
    return [i * step for i in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]


def even_ticks(span: tuple[float, float]) -> tuple[tuple[float, str], ...]:
    """Return round values of an axis with their labels."""
    return tuple((v, f"{v:g}") for v in (round(v, 10) for v in round_values(*span)))
