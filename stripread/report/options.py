"""Parts of an assessment's view model: treatment options, extraction, saturation index of calcite over temperature."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

import numpy as np

from assess.assessment import Assessment
from assess.comparison import describe
from assess.draws import Interval
from assess.options import Option
from assess.plan import Plan
from assess.treatment.upkeep import DAYS_A_YEAR, PartLife
from assess.water_properties import Change
from shared.analytes import capitalise
from shared.notation import PLAIN, Notation, significant
from shared.text import written

#: Size of the plot, and its margins: left, top, right, bottom.
SI_WIDTH, SI_HEIGHT = 480.0, 300.0
FIELD = (44.0, 12.0, 14.0, 48.0)


@dataclass(frozen=True, slots=True)
class PlotSeries:
    """``line`` and ``band`` as points of an SVG; ``dashed`` distinguishes series without colour."""

    name: str
    line: str
    band: str
    dashed: bool


@dataclass(frozen=True, slots=True)
class SaturationPlot:
    """Coordinates of the plot; ``boilers``: position and name; ``zero``: height of saturation index 0.

    ``field``: left, top, right and bottom of the plotting area.
    """

    series: tuple[PlotSeries, ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    boilers: tuple[tuple[float, str], ...]
    zero: float
    size: tuple[float, float]
    field: tuple[float, float, float, float]
    description: str


@dataclass(frozen=True, slots=True)
class _Axes:
    """Maps temperature (°C) and saturation index to the plot."""

    x: tuple[float, float]
    y: tuple[float, float]

    def across(self, t: float) -> float:
        left, _, right, _ = FIELD
        return round(left + (t - self.x[0]) / (self.x[1] - self.x[0]) * (SI_WIDTH - left - right), 1)

    def up(self, si: float) -> float:
        _, top, _, bottom = FIELD
        return round(SI_HEIGHT - bottom - (si - self.y[0]) / (self.y[1] - self.y[0]) * (SI_HEIGHT - top - bottom), 1)

    def points(self, pairs: Sequence[tuple[float, float]]) -> str:
        return " ".join(f"{self.across(t)},{self.up(si)}" for t, si in pairs)


def saturation_plot(assessment: Assessment, notation: Notation = PLAIN) -> SaturationPlot:
    """Return the plot of heating in a closed and an open system, with the machine's boilers marked."""
    saturation = assessment.saturation
    t = saturation.temperatures_c
    values = [v for i in (*saturation.closed, *saturation.open_to_air) for v in (i.low, i.high)]
    axes = _Axes(x=(t[0], t[-1]), y=(min(-0.5, floor(2 * min(values)) / 2), max(0.5, ceil(2 * max(values)) / 2)))
    halves = range(round(2 * axes.y[0]), round(2 * axes.y[1]) + 1)
    left, top, right, bottom = FIELD
    return SaturationPlot(
        series=(_series("heated in a closed system", saturation.closed, axes=axes, t=t),
                _series("exposed to air before heating", saturation.open_to_air, axes=axes, t=t, dashed=True)),
        x_ticks=tuple((axes.across(x), f"{x:g}") for x in (20.0, 40.0, 60.0, 80.0, 100.0, 120.0) if t[0] <= x <= t[-1]),
        y_ticks=tuple((axes.up(h / 2), notation.mark(f"{h / 2:g}")) for h in halves),
        boilers=tuple((axes.across(b.temperature_c), b.boiler) for b in assessment.boilers),
        zero=axes.up(0.0), size=(SI_WIDTH, SI_HEIGHT), field=(left, top, SI_WIDTH - right, SI_HEIGHT - bottom),
        description=notation.prose(_described(assessment)))


def _series(name: str, intervals: Sequence[Interval], *, axes: _Axes, t: Sequence[float],
            dashed: bool = False) -> PlotSeries:
    there = [(x, i.high) for x, i in zip(t, intervals, strict=True)]
    back = [(x, i.low) for x, i in zip(t, intervals, strict=True)]
    middle = [(x, i.value) for x, i in zip(t, intervals, strict=True)]
    return PlotSeries(name=name, line=axes.points(middle), band=axes.points([*there, *back[::-1]]), dashed=dashed)


def _described(assessment: Assessment) -> str:
    """Return the plot as a sentence, for screen readers."""
    boilers = "; ".join(f"{b.boiler} at {b.temperature_c:g} °C: {b.saturation.value:.2f} "
                        f"({b.saturation.low:.2f} to {b.saturation.high:.2f})" for b in assessment.boilers)
    return ("Saturation index of calcite against temperature; scale can form above 0. "
            f"Heated in a closed system: {boilers}.")


#: Size of the drawing and its margins: left, top, right, bottom.
WIDTH, HEIGHT = 480.0, 180.0
_LEFT, _TOP, _RIGHT, _BOTTOM = 14.0, 14.0, 14.0, 40.0
#: Hardness (mg/L CaCO3) and extraction without a scale: clearly weaker below 60, gains that taper past 80.
_CURVE: Final = ((0.0, 0.30), (20.0, 0.50), (40.0, 0.72), (60.0, 0.90), (80.0, 0.96), (100.0, 0.98), (400.0, 1.0))
_TICKS: Final = (20, 40, 60, 80, 100, 150, 200, 300, 400)
_LEAST_RANGE: Final = 120.0
CAPTION: Final = (
    "Qualitative: drawn from trade experience (common practice, no source), not measured. Extraction is clearly weaker "
    "below about 60 mg/L CaCO3, increases little above about 80, and above about 90 scale is the main concern.")


@dataclass(frozen=True, slots=True)
class ExtractionPlot:
    """Curve as points of an SVG, ``marks`` with position and name, ``worry``: where the scale concern begins."""

    line: str
    marks: tuple[tuple[float, float, str], ...]
    ticks: tuple[tuple[float, str], ...]
    worry: float
    size: tuple[float, float] = (WIDTH, HEIGHT)
    floor: float = HEIGHT - _BOTTOM
    caption: str = CAPTION
    description: str = ""


def extraction_plot(assessment: Assessment) -> ExtractionPlot | None:
    """Return the curve with tap and treated water, or None where hardness was not measured."""
    tap = next((j for j in assessment.judgements if j.id == "hardness"), None)
    if tap is None or tap.not_measured:
        return None
    treated = assessment.plan.option.outlet.hardness.value
    most = max(_LEAST_RANGE, 1.1 * tap.value, 1.1 * treated)
    values = [(tap.value, "tap")]
    if abs(treated - tap.value) > 1.0:
        values.append((treated, "treated"))
    at, height = (np.array(column) for column in zip(*_CURVE, strict=True))
    points = [(x, float(np.interp(x, at, height))) for x in np.linspace(0.0, most, 60).tolist()]
    return ExtractionPlot(
        line=" ".join(f"{_across(x, most)},{_up(y)}" for x, y in points),
        marks=tuple((_across(x, most), _up(float(np.interp(x, at, height))), name) for x, name in values),
        ticks=tuple((_across(t, most), f"{t}") for t in _TICKS if t <= most), worry=_across(90.0, most),
        description=f"{CAPTION} {capitalise(', '.join(f'{name} at {x:.0f} mg/L' for x, name in values))}.")


def _across(hardness: float, most: float) -> float:
    return round(_LEFT + hardness / most * (WIDTH - _LEFT - _RIGHT), 1)


def _up(extraction: float) -> float:
    return round(HEIGHT - _BOTTOM - extraction * (HEIGHT - _TOP - _BOTTOM), 1)


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A property before and after, each with its 95 % interval."""

    name: str
    unit: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class OptionSheet:
    """Option with its numbers in words; ``tone`` of the most severe remaining verdict."""

    option: Option
    title: str
    why: str
    tone: str
    changes: tuple[ChangeRow, ...]
    facts: tuple[tuple[str, str], ...]


def option_sheet(option: Option, notation: Notation = PLAIN) -> OptionSheet:
    """Return the view model of an option."""
    return OptionSheet(
        option=option, title=notation.prose(describe(option)), why=notation.prose(option.why),
        tone="bad" if option.broken else "good", changes=tuple(_row(c, notation) for c in option.changes),
        facts=tuple((name, notation.prose(words)) for name, words in _facts(option)))


def _row(change: Change, notation: Notation) -> ChangeRow:
    before, after = (written(i, change.unit, notation=notation) for i in (change.before, change.after))
    return ChangeRow(change.name, before.unit, before.brief, after.brief)


def _facts(option: Option) -> list[tuple[str, str]]:
    """Known facts on maintenance and on what is added to the water."""
    feed = None if option.feed_per_litre is None else f"{significant(option.feed_per_litre, 2)} L"
    facts = {
        "Better": ", ".join(option.better), "Worse": ", ".join(option.worse),
        "Adds": _amounts(option.brought), "Dose": _amounts(option.dose),
        "Service life": "; ".join(map(_life, option.parts)), "Hardness over the life": _leakage(option),
        "Cost per year": _cost(option), "Used per year": _used(option), "Tap water per litre": feed,
    }
    return [(name, words) for name, words in facts.items() if words]


def _used(option: Option) -> str:
    """Cartridges, reject and salts used per year."""
    used = option.consumption
    if used is None:
        return ""
    parts = [] if used.changes is None else [f"{significant(used.changes, 2)} changes"]
    parts += [f"{significant(used.reject_l, 2)} L reject"] if used.reject_l else []
    parts += [f"{significant(kg, 2)} kg {formula}" for formula, kg in used.salts_kg.items() if kg >= 0.005]
    if used.descalings_avoided >= 0.05:
        parts.append(f"{significant(used.descalings_avoided, 2)} descalings avoided")
    return ", ".join(parts)


def _cost(option: Option) -> str:
    """Items with a known price, their total, and what has no price."""
    items = [f"{i.name} {i.amount:.0f}" for i in option.costs]
    total = "" if option.yearly_cost is None else f"total {option.yearly_cost:.0f} {option.currency or ''}".strip()
    missing = option.consumption.without_price if option.consumption is not None else ()
    unknown = f"no price for {', '.join(missing)}" if missing else ""
    return "; ".join(filter(None, (", ".join(items), total, unknown)))


def _leakage(option: Option) -> str:
    """Total hardness of the treated water after a number of litres."""
    points = [f"{p.hardness.value:.0f} after {significant(p.litres, 2)} L" for p in option.leakage[1:]]
    return f"{option.leakage[0].hardness.value:.0f} mg/L CaCO3 fresh, {', '.join(points)}" if points else ""


def _amounts(amounts: dict[str, float]) -> str:
    return ", ".join(f"{significant(mg_l, 2)} mg/L {what}" for what, mg_l in amounts.items() if mg_l >= 0.05)


def _life(part: PartLife) -> str:
    litres = "" if part.litres is None else f", {written(part.litres, 'L').brief} L"
    return f"{part.part} {written(part.days, 'days').brief} days{litres}"


#: Years beyond which a life is not stated in days.
_YEARS = 5


def upkeep_sentences(plan: Plan) -> Iterator[str]:
    """Yield the sentences on parts to change, cost and the next test of a plan."""
    if plan.parts:
        yield f"{capitalise('; '.join(map(_part, plan.parts)))}."
    if plan.yearly_cost is not None:
        used = plan.option.consumption
        without = used.without_price if used is not None else ()
        unknown = f", without {', '.join(without)} (no price)" if without else ""
        amount = f"{abs(plan.yearly_cost):.0f} {plan.currency or ''}".rstrip()
        net = "Costs" if plan.yearly_cost >= 0 else "Saves"
        yield f"{net} about {amount} per year{unknown}."
    yield (f"Test again within {plan.test_in_days} days, earlier if the schedule requires it, and after any work on "
           "machine, unit or mains.")


def _part(part: PartLife) -> str:
    litres = "" if part.litres is None else f" ({significant(part.litres.value)} L)"
    days = f"about {part.days.value:.0f} days{litres}"
    due = f"due on {part.on:%d %B %Y}{litres}" if part.on else days
    return f"{part.part}: {f'over {_YEARS} years' if part.days.value > _YEARS * DAYS_A_YEAR else due}"
