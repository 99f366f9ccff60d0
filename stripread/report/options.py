"""A treatment option as the page shows it: what it does to the water, how long it lasts, what to mind."""

from __future__ import annotations

from dataclasses import dataclass

from assess.interval import Interval
from assess.options import Change, Option
from assess.plan import described
from stripread.report.text import figure


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A property before and after, each with its 95 % interval."""

    name: str
    unit: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class OptionSheet:
    """An option with its numbers in words; ``tone`` of the gravest thing that stays."""

    option: Option
    title: str
    tone: str
    changes: tuple[ChangeRow, ...]
    facts: tuple[tuple[str, str], ...]


def option_sheet(option: Option) -> OptionSheet:
    """The option made ready for the page."""
    return OptionSheet(option=option, title=described(option), tone="bad" if option.broken else "good",
                       changes=tuple(_row(c) for c in option.changes), facts=tuple(_facts(option)))


def _row(change: Change) -> ChangeRow:
    unit = "" if change.unit == "pH" else change.unit
    return ChangeRow(change.name, unit, span(change.before), span(change.after))


def span(interval: Interval) -> str:
    """A value with its interval, as "62.3 (58.1 to 66.9)"."""
    value, low, high = (figure(v, interval.low, interval.high) for v in (interval.value, interval.low, interval.high))
    return value if low == high else f"{value} ({low} to {high})"


def _facts(option: Option) -> list[tuple[str, str]]:
    """What is known of upkeep and of what is put into the water."""
    cost = None if option.yearly_cost is None else f"{option.yearly_cost:.0f} {option.currency or ''}".strip()
    told = {
        "Better": ", ".join(option.better), "Worse": ", ".join(option.worse),
        "It adds": _amounts(option.brought), "To weigh in": _amounts(option.dose),
        "Spent after": _spent(option), "A year's changes cost": cost,
        "Tap water for each litre": None if option.feed_per_litre is None else f"{option.feed_per_litre:.2g} L",
    }
    return [(name, words) for name, words in told.items() if words]


def _amounts(amounts: dict[str, float]) -> str:
    return ", ".join(f"{mg_l:.2g} mg/L {what}" for what, mg_l in amounts.items() if mg_l >= 0.05)


def _spent(option: Option) -> str:
    litres = "" if option.litres is None else f"{option.litres:.2g} L"
    days = "" if option.days is None else f"{option.days:.0f} days"
    return ", ".join(part for part in (litres, days) if part)
