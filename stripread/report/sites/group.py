"""Report on a group of sites: verdicts, sites without an assessment, maintenance due, shopping list."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from assess.decision import VERDICT_NAMES, VERDICTS
from shared.text import many
from stripread.monitoring.nearest_assessment import AssessedReading, assessment_of, nearest
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.report.document.model import Bullets, Cell, Document, DocumentTable, Section, Text, number, row
from stripread.report.sites.status import about, document, due_section
from stripread.report.text import Tone
from stripread.report.verdicts import VERDICT_WORDS, headlines
from stripread.store.models.sites import SiteGroup
from stripread.store.settings import Settings
from stripread.store.store import Store

#: Weeks that the report looks ahead.
_WEEKS: Final = 4


def group_report(store: Store, settings: Settings, intervals: ScheduleIntervals, group: str) -> Document:
    """Return the current report. Raises RecordsError for an unknown group."""
    found, at, scope = store.get(SiteGroup, group), store.clock(), Scope(group=group)
    kept = load_sites(store, scope, at.date())
    judged = nearest(store, scope, kept.points)
    due = due_list(store, intervals, scope=scope, weeks=_WEEKS)
    sections = (_counts(kept, judged), *_sites(store, kept, judged), due_section(due, sites=True), *_to_buy(due))
    subtitle = about((many(len(kept.sites), "site"),), settings.issuer, at)
    return document(f"Sites of {found.name}", subtitle, sections, at)


def _counts(kept: SiteInventory, judged: Mapping[str, AssessedReading]) -> Section:
    """Section with the number of sites per verdict, most severe first."""
    verdicts = [judged[s].verdict for s in kept.sites if s in judged]
    lines = [Text(f"{n} of {len(kept.sites)} {VERDICT_NAMES[v]}.", VERDICT_WORDS[v][1], strong=True)
             for v in reversed(VERDICTS) if (n := verdicts.count(v))]
    unjudged = len(kept.sites) - len(verdicts)
    if unjudged:
        lines.append(Text(f"{unjudged} of {len(kept.sites)} not assessed.", "open", strong=True))
    edge: Tone = lines[0].tone if lines else ""
    return Section("Summary", tuple(lines) or (Text("This group has no sites."),), edge=edge)


def _sites(store: Store, kept: SiteInventory, judged: Mapping[str, AssessedReading]) -> Iterator[Section]:
    """Sections with every site, most severe first, and the limits that are not met."""
    assessed = sorted((site for site in kept.sites.values() if site.id in judged),
                  key=lambda site: (-VERDICTS.index(judged[site.id].verdict), site.name))
    if assessed:
        yield Section("Site status", (
            DocumentTable("Site status", ("Site", "Verdict", "Findings", "Next step", "Measured on", "Sampling point"),
                  tuple(_site(store, kept, judged[site.id]) for site in assessed)),
            Text("According to the latest valid reading at the sampling point nearest to the machine.", "soft")))
    never = tuple(sorted(site.name for site in kept.sites.values() if site.id not in judged))
    if never:
        yield Section("Not assessed", (Bullets(never),), edge="open")


def _site(store: Store, kept: SiteInventory, x: AssessedReading) -> tuple[Cell, ...]:
    found = None if x.verdict == "in" else assessment_of(store, x)
    what = "" if found is None else " ".join(h.words for h in headlines(found) if h.tone != "good")
    return row(kept.sites[x.site].name, Cell(VERDICT_NAMES[x.verdict], VERDICT_WORDS[x.verdict][1]), what,
               "" if found is None else found.plan.next_step, number(x.sampled[:10]), kept.points[x.point].name)


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
