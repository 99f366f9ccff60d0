"""Report on one site: current status, assessment and actions, history, maintenance due, evidence.

Reports on groups and commissioning sheets share its document, subtitle and maintenance due.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import msgspec

from assess.assessment import Assessment
from shared.analytes import ANALYTES
from shared.text import format_value, many
from stripread.intake.unit_history import services
from stripread.monitoring.assessed_water import assessment_of
from stripread.monitoring.schedule.due import DueList, due_list
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.status import SiteStatus, WaterStatus, status_of
from stripread.monitoring.trend.trend import AnalyteTrend, Trend, TrendPoint, trend
from stripread.report.document.model import (
    Block,
    Bullets,
    Cell,
    Document,
    DocumentPhoto,
    DocumentTable,
    Figure,
    PhotoRow,
    Section,
    Text,
    number,
    row,
)
from stripread.report.evidence import thumbnail
from stripread.report.figures.window import WindowBar, bounds_of, list_bar, own_judgement
from stripread.report.trend import change, headline, sentences, trend_plot
from stripread.report.verdicts import AssessmentSheet, assessment_sheet
from stripread.review.session import FAULTS
from stripread.store.lookup import short_id
from stripread.store.models.evidence import Review
from stripread.store.models.sites import NEAREST, SamplingPoint, Site, SiteGroup, Unit
from stripread.store.reading_query import ReadingFilter, ReadingRow, readings
from stripread.store.settings import Issuer, Settings
from stripread.store.store import Store


def document(title: str, about: str, sections: Sequence[Section], at: datetime) -> Document:
    """Return the report of a day; equal content of the same day has the same id."""
    content = msgspec.json.encode((title, about, sections))
    return Document(id=f"{at:%Y%m%d}-{hashlib.sha256(content).hexdigest()[:6]}", title=title, about=about,
                    sections=tuple(sections))


def about(parts: Iterable[str | None], issuer: Issuer, at: datetime) -> str:
    """Return the subtitle: subject, date and issuer."""
    of = ", ".join(filter(None, parts))
    by = f" Issued by {issuer.name}." if issuer.name else ""
    return f"{of}{'. ' if of else ''}As of {at:%Y-%m-%d %H:%M %Z}.{by}"


def due_section(due: DueList, *, sites: bool) -> Section:
    """Section with overdue and planned maintenance; ``sites``: each item with the name of its site."""
    title = f"Due until {due.until}"
    if not due.items:
        return Section(title, (Text("Nothing is due."),))
    head = ("Date", *(("Site",) if sites else ()), "Action", "Reason")
    rows = tuple(row(number(f"{i.on}{' (overdue)' if i.on < due.today else ''}"), *((i.site_name,) if sites else ()),
                     i.what, i.why) for i in due.items)
    return Section(title, (DocumentTable(title, head, rows),), edge="open" if due.overdue else "")


#: Weeks that the report looks ahead; number of photographs that it shows.
_WEEKS: Final = 8
#: Origins of an assessment that is not of a reading.
_ORIGINS: Final = {"laboratory": "laboratory result", "typed": "typed result"}
_PHOTOS: Final = 8


@dataclass(frozen=True, slots=True)
class _Scene:
    """A site and its records."""

    store: Store
    site: Site
    points: dict[str, SamplingPoint]
    listed: list[ReadingRow]
    trends: list[Trend]
    status: SiteStatus


def site_report(store: Store, settings: Settings, intervals: ScheduleIntervals, site: str) -> Document:
    """Return the current report. Raises RecordsError for an unknown site."""
    scene, at = _scene(store, intervals, site), store.clock()
    group = None if scene.site.group is None else store.get(SiteGroup, scene.site.group).name
    due = due_list(store, intervals, scope=Scope(site=site), weeks=_WEEKS)
    sections = (*_state(scene), *_verdict(scene), *map(_history, scene.trends), *_treatment(scene),
                due_section(due, sites=False), *_left_out(scene), *_evidence(scene))
    subtitle = about((scene.site.address, group), settings.issuer, at)
    return document(f"Water at {scene.site.name}", subtitle, sections, at)


def _scene(store: Store, intervals: ScheduleIntervals, id_: str) -> _Scene:
    site = store.get(Site, id_)
    points = {p.id: p for p in sorted(store.find(SamplingPoint, site=id_), key=_on_its_way)}
    listed = readings(store, ReadingFilter(site=id_))
    read = {x.point for x in _counting(listed)}
    return _Scene(store=store, site=site, points=points, listed=listed,
                  trends=[trend(store, p) for p in points if p in read],
                  status=status_of(store, intervals, id_))


def _counting(listed: list[ReadingRow]) -> list[ReadingRow]:
    """Readings with values that were not rejected."""
    return [x for x in listed if x.status == "measured" and x.reviewed != "rejected"]


def _on_its_way(point: SamplingPoint) -> tuple[int, str]:
    """Sort key in the order of flow, from the mains to the machine."""
    return -NEAREST.index(point.place), point.name


def _state(scene: _Scene) -> Iterator[Section]:
    if not scene.trends:
        yield Section("Current status", (Text("No valid readings yet.", strong=True),))
        return
    analytes = [a for a in ANALYTES if any(f.analyte == a for t in scene.trends for f in t.analytes)]
    head = ("Analyte", *(f"{t.name} ({t.place})" for t in scene.trends))
    judged = {w.point: (w, _sheet(scene, w).assessment) for w in (scene.status.tap, scene.status.water) if w}
    rows = tuple(row(ANALYTES[a].name, *(_latest(t, a, judged.get(t.point)) for t in scene.trends)) for a in analytes)
    yield Section(
        "Current status",
        (
            DocumentTable("Current status", head, rows),
            Text("Each value with its 95 % interval and the date of the measurement; the bar shows the value on the "
                 "scale of its limits.", "soft"),
        ),
    )


def _latest(t: Trend, analyte: str, judged: tuple[WaterStatus, Assessment] | None) -> Cell:
    analyte_trend = next((f for f in t.analytes if f.analyte == analyte), None)
    if analyte_trend is None:
        return Cell("-")
    seen = analyte_trend.seen[-1]
    value = format_value(seen.value, low=seen.low, high=seen.high, unit=analyte_trend.unit, status=seen.status)
    return Cell(f"{value}, {seen.at:%Y-%m-%d}" + (", corrected by a reviewer" if seen.corrected else ""),
                bar=None if judged is None or seen.at.date() != judged[0].on else _bar(seen, judged[1], analyte))


def _bar(seen: TrendPoint, judged: Assessment, analyte: str) -> WindowBar | None:
    own = own_judgement(judged, analyte)
    return None if own is None else list_bar(seen, bounds_of(own.limit), own.verdict)


def _verdict(scene: _Scene) -> Iterator[Section]:
    if scene.status.water is None:
        yield Section("Assessment", (Text("No valid reading of this site has been assessed for a machine."),))
        return
    yield from _assessed(scene, scene.status.water)
    if scene.status.tap is not None:
        yield _tap(scene, scene.status.tap)


def _assessed(scene: _Scene, water: WaterStatus) -> Iterator[Section]:
    """Sections on the water nearest to the machine: verdict and reasons, next action and cautions."""
    sheet = _sheet(scene, water)
    option = sheet.chosen
    yield Section("Assessment", (*_outcome(sheet, water), *_reasons(sheet)), edge=sheet.tone)
    cautions = (*(option.option.cautions if option else ()), *sheet.assessment.cautions)
    yield Section("Actions", (*_next(scene.status), Text(sheet.assessment.plan.next_step),
                              *_first(sheet.assessment.plan.first), Text("Cautions:"), Bullets(cautions)))


def _next(status: SiteStatus) -> Iterator[Block]:
    if status.next is not None:
        yield Text(f"Next action, due {status.next.on}: {status.next.what} ({status.next.why}).", strong=True)


def _first(first: tuple[str, ...]) -> tuple[Block, ...]:
    return (Text("Clarify first:"), Bullets(first)) if first else ()


def _tap(scene: _Scene, tap: WaterStatus) -> Section:
    """Section on the mains water, below that on the treated water."""
    sheet = _sheet(scene, tap)
    return Section("Tap water", (*_outcome(sheet, tap), *_reasons(sheet)))


def _sheet(scene: _Scene, water: WaterStatus) -> AssessmentSheet:
    return assessment_sheet(assessment_of(scene.store, water))


def _outcome(sheet: AssessmentSheet, water: WaterStatus) -> Iterator[Block]:
    yield from (Text(h.words, h.tone, strong=True) for h in sheet.headlines)
    since = f" The verdict has been the same since {water.since}." if water.since < water.on else ""
    basis = f"reading of {water.on}" if water.reading else f"{_ORIGINS[sheet.assessment.origin]} of {water.on}"
    named = f" ({short_id(water.reading)})" if water.reading else ""
    yield Text(f"For {sheet.assessment.equipment.name}, based on the {basis}, {water.name}{named}.{since}", "soft")


def _reasons(sheet: AssessmentSheet) -> tuple[Block, ...]:
    why = tuple(f"{b.name}: {b.value} {b.unit} ({b.interval_text}), permitted {b.limits}. {b.reason}"
                for b in sheet.reasons)
    return (Bullets(why),) if why else ()


def _history(t: Trend) -> Section:
    return Section(f"Trend: {headline(t)}", (
        *(Text(sentence, strong=True) for sentence in change(t)),
        *(b for analyte_trend in t.analytes for b in _plotted(t, analyte_trend))))


def _plotted(t: Trend, analyte_trend: AnalyteTrend) -> Iterator[Block]:
    """A plot where there is more than one reading, else a text."""
    if len(analyte_trend.seen) > 1:
        yield Figure(trend_plot(t, analyte_trend))
    else:
        yield Text(f"{ANALYTES[analyte_trend.analyte].name}: {' '.join(sentences(analyte_trend))}")


def _treatment(scene: _Scene) -> Iterator[Section]:
    rows = [row(unit.unit.name, number(f"{s.at:%Y-%m-%d}"), s.job,
                "" if s.setting is None else f"{100 * s.setting:.0f} %",
                "" if s.litres is None else f"{s.litres:g} L", s.note)
            for unit in scene.store.find(Unit, site=scene.site.id) for s in services(scene.store, unit)]
    if rows:
        yield Section("Treatment", (
            DocumentTable("Treatment", ("Unit", "Date", "Work", "Setting", "Meter reading", "Note"), tuple(rows)),))


def _left_out(scene: _Scene) -> Iterator[Section]:
    rows = [row(number(x.sampled[:10]), x.point_name or "-", short_id(x.id), _fault(scene.store, x.id))
            for x in scene.listed if x.reviewed == "rejected"]
    if rows:
        yield Section("Rejected or withdrawn", (
            Text("Retained, excluded from all results."),
            DocumentTable("Rejected or withdrawn", ("Date", "Sampling point", "Reading", "Reason"), tuple(rows))))


def _fault(store: Store, reading: str) -> str:
    rejections = [r for r in store.find(Review, reading=reading) if r.decision in ("rejected", "reading-withdrawn")]
    last = max(rejections, key=lambda r: r.at)
    return "; ".join(filter(None, (last.fault and FAULTS[last.fault], last.why)))


def _evidence(scene: _Scene) -> Iterator[Section]:
    shown = [photo for x in _counting(scene.listed)[:_PHOTOS] if (photo := _photo(scene.store, x)) is not None]
    if shown:
        yield Section("Evidence", (
            Text(f"{many(len(scene.listed), 'reading')} stored; the latest photographs:", "soft"),
            PhotoRow(tuple(shown), across=4)))


def _photo(store: Store, x: ReadingRow) -> DocumentPhoto | None:
    caption = (
        f"{x.sampled[:10]}, {x.point_name or 'no sampling point'}, reading {short_id(x.id)}, "
        f"photograph {short_id(x.photograph)}"
    )
    return thumbnail(store, x.photograph, caption)
