"""View model of a treatment option: its effect on the water, its life, its cautions."""

from __future__ import annotations

from dataclasses import dataclass

from assess.comparison import describe
from assess.options import Option
from assess.water_properties import Change
from shared.notation import PLAIN, Notation
from shared.rounding import significant
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
    cost = None if option.yearly_cost is None else f"{option.yearly_cost:.0f} {option.currency or ''}".strip()
    feed = None if option.feed_per_litre is None else f"{significant(option.feed_per_litre, 2)} L"
    facts = {
        "Better": ", ".join(option.better), "Worse": ", ".join(option.worse),
        "Adds": _amounts(option.brought), "Dose": _amounts(option.dose),
        "Exhausted after": _life(option), "Cost of changes per year": cost, "Used per year": _used(option),
        "Tap water per litre": feed,
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
    return ", ".join(parts)


def _amounts(amounts: dict[str, float]) -> str:
    return ", ".join(f"{significant(mg_l, 2)} mg/L {what}" for what, mg_l in amounts.items() if mg_l >= 0.05)


def _life(option: Option) -> str:
    litres = "" if option.litres is None else f"{written(option.litres, 'L').brief} L"
    days = "" if option.days is None else f"{written(option.days, 'days').brief} days"
    return ", ".join(part for part in (litres, days) if part)
