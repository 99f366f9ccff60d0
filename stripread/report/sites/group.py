"""Reports on a group of sites: at present, over a month, and the evidence for a claim on a machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from assess.decision import VERDICT_NAMES, VERDICTS
from assess.draws import Interval
from shared.analytes import ANALYTES
from shared.estimate import Estimate
from shared.text import format_value, many
from stripread.intake.assessment_cases import current_assessments
from stripread.intake.laboratory_samples import laboratory_samples
from stripread.monitoring.machine_ledger import MachineLedger, machine_ledger
from stripread.monitoring.next_action import deviation_words
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.schedule.shopping import ShoppingLine, ShoppingList
from stripread.monitoring.sites import Scope, SiteInventory, load_sites
from stripread.monitoring.status import SiteStatus, StatusOverview, WaterStatus, overview
from stripread.operations.decisions import decisions
from stripread.report.document.model import Bullets, Cell, Document, DocumentTable, Section, Text, facts, number, row
from stripread.report.sites.site import about, document, due_section
from stripread.report.text import Tone
from stripread.report.verdicts import VERDICT_WORDS
from stripread.store.lookup import short_id
from stripread.store.models.sites import Machine, MachineWork, Site, SiteGroup
from stripread.store.reading_query import ListedValue, ReadingFilter, ReadingRow, readings
from stripread.store.settings import Settings
from stripread.store.store import Store

#: Weeks that the report looks ahead.
_WEEKS: Final = 4


def group_report(store: Store, settings: Settings, intervals: ScheduleIntervals, group: str) -> Document:
    """Return the current report. Raises RecordsError for an unknown group."""
    group_, at, scope = store.get(SiteGroup, group), store.clock(), Scope(group=group)
    seen = overview(store, intervals, scope=scope)
    due = due_list(store, intervals, scope=scope, weeks=_WEEKS)
    sections = (_counts(seen), *_sites(seen), due_section(due, sites=True), *_to_buy(due))
    subtitle = about((many(len(seen.sites), "site"),), settings.issuer, at)
    return document(f"Sites of {group_.name}", subtitle, sections, at)


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
        head = ("Site", "Verdict", "Out of limits", "Verdict since", "Next action", "Due", "Sampling point")
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


@dataclass(frozen=True, slots=True)
class Period:
    """A period from ``since`` to before ``until``."""

    since: datetime
    until: datetime

    @property
    def words(self) -> str:
        """First and last day."""
        return f"{self.since:%Y-%m-%d} to {self.until - timedelta(days=1):%Y-%m-%d}"

    def includes(self, at: datetime) -> bool:
        """Return whether a time is within it."""
        return self.since <= at < self.until

    def rows(self, store: Store, **where: str | None) -> list[ReadingRow]:
        """Return the valid readings sampled in it, in order of time."""
        found = readings(store, ReadingFilter(since=self.since, until=self.until - timedelta(microseconds=1),
                                              status="measured", **where), oldest_first=True)  # type: ignore[arg-type]
        return [r for r in found if r.reviewed != "rejected"]


def month_of(day: datetime) -> Period:
    """Return the month of a day (UTC)."""
    first = day.replace(day=1, hour=0, minute=0, second=0, microsecond=0, tzinfo=UTC)
    return Period(first, (first + timedelta(days=32)).replace(day=1))


def month_report(store: Store, settings: Settings, day: datetime, group: str | None) -> Document:
    """Return what happened in the month of a day at the sites of a group [default: all sites].

    Raises RecordsError for an unknown group.
    """
    month, scope = month_of(day), Scope(group=group)
    inventory = load_sites(store, scope, month.since.date())
    rows, name = month.rows(store, group=group), "all sites" if group is None else store.get(SiteGroup, group).name
    sections = (_samples(rows, inventory), *_changes(store, rows, month), *_work(inventory, month),
                *_decided(store, inventory, month))
    return document(f"Month {month.since:%Y-%m}: {name}", about((month.words,), settings.issuer, store.clock()),
                    sections, store.clock())


def _samples(rows: Sequence[ReadingRow], inventory: SiteInventory) -> Section:
    tested = {r.site for r in rows if r.site is not None}
    missing = sorted(s.name for s in inventory.sites.values() if s.id not in tested)
    untested = (Text("Not tested in this month:"), Bullets(tuple(missing))) if missing else ()
    return Section("Tests", (Text(f"{many(len(rows), 'reading')} at {len(tested)} of "
                                  f"{many(len(inventory.sites), 'site')}.", strong=True), *untested))


def _changes(store: Store, rows: Sequence[ReadingRow], month: Period) -> Iterator[Section]:
    """Section with the sampling points whose verdict changed in the month."""
    lines = []
    for point in dict.fromkeys(r.point for r in rows if r.point is not None and r.verdict is not None):
        here = [r for r in rows if r.point == point and r.verdict is not None]
        earlier = readings(store, ReadingFilter(point=point, until=month.since - timedelta(microseconds=1),
                                                status="measured"), limit=20)
        before = next((r.verdict for r in earlier if r.verdict is not None and r.reviewed != "rejected"), None)
        last = here[-1]
        if last.verdict is not None and last.verdict != before:
            words = "not assessed" if before is None else VERDICT_NAMES[before]
            lines.append(row(last.site_name or "", last.point_name or "", words, VERDICT_NAMES[last.verdict],
                             number(last.sampled[:10])))
    head = ("Site", "Sampling point", "Before", "Now", "Date")
    yield Section("Changed verdicts", (DocumentTable("Changed verdicts", head, tuple(lines)),) if lines else (
        Text("No verdict changed."),))


def _work(inventory: SiteInventory, period: Period) -> Iterator[Section]:
    done = [row(number(f"{s.at:%Y-%m-%d}"), inventory.sites[unit.site].name, unit.unit.name, s.job,
                "" if s.setting is None else f"{100 * s.setting:.0f} %",
                "" if s.litres is None else f"{s.litres:g} L", s.note)
            for s, unit in sorted(((s, unit) for unit in inventory.units.values()
                                   for s in inventory.services.get(unit.id, ())), key=lambda pair: pair[0].at)
            if period.includes(s.at)]
    if done:
        head = ("Date", "Site", "Unit", "Work", "Setting", "Meter reading", "Note")
        yield Section("Work on treatment units", (DocumentTable("Work on treatment units", head, tuple(done)),))


def _machine_work(store: Store, machine: str, period: Period) -> Iterator[Section]:
    work = sorted((w for w in store.find(MachineWork, machine=machine) if w.struck is None and period.includes(w.at)),
                  key=lambda w: w.at)
    if work:
        title, lines = "Work on the machine", (
            row(number(f"{w.at:%Y-%m-%d}"), w.job, w.boiler or "all", w.note) for w in work)
        yield Section(title, (DocumentTable(title, ("Date", "Work", "Boiler", "Note"), tuple(lines)),))


def _decided(store: Store, inventory: SiteInventory, period: Period) -> Iterator[Section]:
    rows = [row(number(f"{step.at:%Y-%m-%d}"), inventory.sites[d.site].name, d.what, step.state, step.why)
            for d in decisions(store) if d.site in inventory.sites for step in d.steps if period.includes(step.at)]
    if rows:
        head = ("Date", "Site", "Decision", "Step", "Reason")
        yield Section("Decisions", (DocumentTable("Decisions", head, tuple(rows)),))


def claim_report(store: Store, settings: Settings, machine: str, period: Period) -> Document:
    """Return the evidence on the water of a machine in a period: samples, ledger, work, decisions, audit trail.

    Raises RecordsError for an unknown machine, or without an assessed water.
    """
    stored = store.get(Machine, machine)
    site, inventory = store.get(Site, stored.site), load_sites(store, Scope(site=stored.site), period.since.date())
    rows, head = period.rows(store, site=site.id), store.head()
    sections = (
        Section("Subject", (facts((("Machine", f"{stored.equipment.name} ({machine})"), ("Site", site.name),
                                   ("Address", site.address or None), ("Period", period.words))),)),
        _measured(rows), *_laboratory(store, inventory, period),
        _ledger(machine_ledger(store, machine, period.since, period.until)), *_work(inventory, period),
        *_machine_work(store, machine, period), *_decided(store, inventory, period),
        Section("Evidence", (
            facts((("Entries of the audit trail", str(head.entries)), ("Checkpoint", head.hash))),
            Text("Each reading can be reproduced from its photograph, chart and version; `stripread audit prove` "
                 "proves a single record up to the checkpoint. This report makes no statement on "
                 "the cause of any damage.", "soft"))))
    return document(f"Water of {stored.equipment.name}, {site.name}",
                    about((period.words,), settings.issuer, store.clock()), sections, store.clock())


def _values(values: Iterable[ListedValue | Estimate]) -> str:
    return "; ".join(f"{ANALYTES[v.analyte].name} " + format_value(
        v.value, low=v.low, high=v.high, unit=ANALYTES[v.analyte].unit, status=v.status).removeprefix("pH ")
        for v in values)


def _laboratory(store: Store, inventory: SiteInventory, period: Period) -> Iterator[Section]:
    """Section with the laboratory and typed samples of the period."""
    lines = []
    for sample in laboratory_samples(store, inventory.points):
        if period.includes(sample.taken):
            assessed = current_assessments(store, sample.point).get(sample.results)
            verdict = "" if assessed is None else VERDICT_WORDS[assessed.verdict][0]
            lines.append(row(number(f"{sample.taken:%Y-%m-%d}"), inventory.points[sample.point].name,
                             _values(sample.sample.estimates), verdict, sample.sample.name))
    if lines:
        title, head = "Laboratory and typed results", ("Date", "Sampling point", "Values", "Verdict", "Sample")
        yield Section(title, (DocumentTable(title, head, tuple(lines)),))


def _measured(rows: Iterable[ReadingRow]) -> Section:
    lines = tuple(row(
        number(r.sampled[:10]), r.point_name or "", _values(r.values),
        "" if r.verdict is None else VERDICT_WORDS[r.verdict][0], r.reviewed, short_id(r.id)) for r in rows)
    head = ("Date", "Sampling point", "Measured values", "Verdict", "Review", "Reading")
    return Section("Samples", (DocumentTable("Samples", head, lines),) if lines else (
        Text("No valid reading in this period."),))


def _ledger(ledger: MachineLedger) -> Section:
    lines = tuple(row(b.boiler, number(_words(b.scale_g, "g")),
                      number("not measured" if b.highest_chloride is None else _words(b.highest_chloride, "mg/L Cl")))
                  for b in ledger.boilers)
    head = ("Boiler", "Scale at most", "Highest chloride of the boiler water")
    return Section("Ledger", (DocumentTable("Ledger", head, lines), Text(
        f"{ledger.since:%Y-%m-%d} to {ledger.until:%Y-%m-%d}; each assessed water counts until the next one, at the "
        "stated demand.", "soft")))


def _words(one: Interval, unit: str) -> str:
    return format_value(one.value, low=one.low, high=one.high, unit=unit)
