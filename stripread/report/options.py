"""View models of treatment options, and of the extraction that a water gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from assess.assessment import Assessment
from assess.comparison import describe
from assess.options import Option
from assess.treatment.upkeep import PartLife
from assess.water_properties import Change
from shared.notation import PLAIN, Notation, significant
from shared.text import written

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
        description=f"{CAPTION} {', '.join(f'{name} at {x:.0f} mg/L' for x, name in values).capitalize()}.")


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
