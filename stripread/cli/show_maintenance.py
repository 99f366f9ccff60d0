"""Due maintenance, shopping list and recorded work as text."""

from __future__ import annotations

from collections.abc import Iterator

from stripread.monitoring.schedule.due import DueList
from stripread.monitoring.schedule.intervals import DueItem
from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
from stripread.store.models.decisions import TreatmentDecision
from stripread.store.models.sites import Service


def due_lines(found: DueList) -> Iterator[str]:
    """Yield overdue items, then the due ones by week."""
    if not found.items:
        yield f"nothing due before {found.until}"
    if found.overdue:
        yield f"overdue on {found.today}:"
        yield from (_line(item) for item in found.overdue)
    for monday, items in found.weeks():
        yield f"week of {monday}:"
        yield from (_line(item) for item in items)


def _line(item: DueItem) -> str:
    return f"  {item.on}  {item.sentence} ({item.why})"


def shopping_lines(shopping: ShoppingList) -> Iterator[str]:
    """Yield treatment units to buy and yearly costs, as far as prices are known."""
    yield "to buy:"
    lines = [line for line in shopping.lines if line.to_buy]
    yield from (_bought(line) for line in lines)
    if not lines:
        yield "  nothing"
    for currency, (now, year) in shopping.totals().items():
        yield f"  {now:.2f} {currency}".rstrip() + f"; all units {year:.2f} {currency}".rstrip() + " a year"
    if shopping.unknown:
        yield f"  excluded from the yearly cost, price or service life unknown: {', '.join(shopping.unknown)}"


def _bought(line: ShoppingLine) -> str:
    price = "price unknown" if line.cost is None else f"{line.cost:.2f} {line.currency}".rstrip()
    parts = ((line.decided, "by decisions"), (line.in_stock, "in stock"))
    note = ", ".join(f"{n} {what}" for n, what in parts if n)
    return f"  {line.to_buy} x {line.name}: {price}" + (f" ({note})" if note else "")


def work_lines(done: list[Service]) -> Iterator[str]:
    """Yield a line for each recorded work."""
    for one in done:
        parts = (one.job, "" if one.setting is None else f"setting {100 * one.setting:.0f} %",
                 "" if one.litres is None else f"{one.litres:g} litres", one.note,
                 "" if one.struck is None else f"excluded: {one.struck}")
        yield f"{one.at:%Y-%m-%d}  {'; '.join(filter(None, parts))}"


def decision_lines(found: list[TreatmentDecision]) -> Iterator[str]:
    """Yield a line for each decision: id, state, site, what, and whether it follows the recommendation."""
    for one in found:
        against = "" if one.follows else f"; against the recommendation: {one.recommended}" if one.recommended else ""
        why = f"; {one.steps[-1].why}" if one.steps[-1].why else ""
        yield f"{one.id[:8]}  {one.state:9}  {one.at:%Y-%m-%d}  {one.site}: {one.what}{against}{why}"
