"""Report on a group of sites: verdicts, sites without an assessment, maintenance due, shopping list."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from assess.decision import VERDICT_NAMES, VERDICTS
from shared.text import many
from stripread.monitoring.next_action import deviation_words
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, StatusOverview, WaterStatus, overview
from stripread.report.document.model import Bullets, Cell, Document, DocumentTable, Section, Text, number, row
from stripread.report.sites.site import about, document, due_section
from stripread.report.text import Tone
from stripread.report.verdicts import VERDICT_WORDS
from stripread.store.models.sites import SiteGroup
from stripread.store.settings import Settings
from stripread.store.store import Store

#: Weeks that the report looks ahead.
_WEEKS: Final = 4


def group_report(store: Store, settings: Settings, intervals: ScheduleIntervals, group: str) -> Document:
    """Return the current report. Raises RecordsError for an unknown group."""
    found, at, scope = store.get(SiteGroup, group), store.clock(), Scope(group=group)
    seen = overview(store, intervals, scope=scope)
    due = due_list(store, intervals, scope=scope, weeks=_WEEKS)
    sections = (_counts(seen), *_sites(seen), due_section(due, sites=True), *_to_buy(due))
    subtitle = about((many(len(seen.sites), "site"),), settings.issuer, at)
    return document(f"Sites of {found.name}", subtitle, sections, at)


def _counts(seen: StatusOverview) -> Section:
    """Section with the number of sites per verdict, most severe first."""
    counts, n = seen.counts(), len(seen.sites)
    lines = [Text(f"{counts[v]} of {n} {VERDICT_NAMES[v]}.", VERDICT_WORDS[v][1], strong=True)
             for v in reversed(VERDICTS) if counts[v]]
    if counts["never judged"]:
        lines.append(Text(f"{counts['never judged']} of {n} not assessed.", "open", strong=True))
    edge: Tone = lines[0].tone if lines else ""
    return Section("Summary", tuple(lines) or (Text("This group has no sites."),), edge=edge)


def _sites(seen: StatusOverview) -> Iterator[Section]:
    """Sections with every site, most severe first, what is out of limits, and the next action."""
    assessed = [(site, site.water) for site in seen.sites if site.water is not None]
    if assessed:
        head = ("Site", "Verdict", "Out of limits", "Since", "Next action", "Due", "Sampling point")
        yield Section("Site status", (
            DocumentTable("Site status", head, tuple(_site(site, water) for site, water in assessed)),
            Text("According to the latest valid reading at the sampling point nearest to the machine.", "soft")))
    never = tuple(sorted(site.name for site in seen.sites if site.water is None))
    if never:
        yield Section("Not assessed", (Bullets(never),), edge="open")


def _site(site: SiteStatus, water: WaterStatus) -> tuple[Cell, ...]:
    return row(site.name, Cell(VERDICT_NAMES[water.verdict], VERDICT_WORDS[water.verdict][1]),
               "; ".join(dict.fromkeys(deviation_words(d) for d in water.deviations if d.verdict == water.verdict)),
               number(f"{water.since}"), site.next.what if site.next else "",
               number(f"{site.next.on}" if site.next else ""), f"{water.name}, {water.on}")


def _to_buy(due: DueList) -> Iterator[Section]:
    """Section with the treatment units to change in this period, and the yearly cost of all units."""
    shopping = due.shopping
    if shopping.lines:
        head = ("Unit", "Installed", "To buy", "Unit price", "Cost", "Cost per year, all units")
        yield Section("Treatment units", (
            DocumentTable("Treatment units", head, tuple(map(_line, shopping.lines))), *_totals(shopping)))


def _line(line: ShoppingLine) -> tuple[Cell, ...]:
    def money(amount: float | None) -> Cell:
        return number("not known" if amount is None else f"{amount:.2f} {line.currency}".strip())

    return row(line.name, number(str(line.in_place)), number(str(line.to_buy)), money(line.price), money(line.cost),
               money(line.yearly))


def _totals(shopping: ShoppingList) -> Sequence[Text]:
    lines = [Text(f"Purchases {now_:.2f} {currency}".rstrip() + f"; per year {year:.2f} {currency}".rstrip() + ".")
            for currency, (now_, year) in shopping.totals().items()]
    if shopping.unknown:
        lines.append(Text(f"Not in the yearly cost (price or life unknown): {', '.join(shopping.unknown)}.", "soft"))
    return lines
