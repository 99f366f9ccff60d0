"""View model of a treatment option: its effect on the water, its life, its cautions."""

from __future__ import annotations

from dataclasses import dataclass

from assess.comparison import describe
from assess.options import Option
from assess.treatment.upkeep import PartLife
from assess.water_properties import Change
from shared.notation import PLAIN, Notation, significant
from shared.text import written


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
