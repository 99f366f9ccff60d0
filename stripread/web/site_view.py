"""View model of the page of one site: points in flow order, feed and treated water on the same limits, trends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from assess.decision import VERDICT_NAMES
from assess.draws import Interval
from assess.judgement import Judgement
from shared.analytes import ANALYTES
from shared.notation import Notation
from shared.text import written
from stripread.monitoring.assessed_water import assessment_of, judgements_of
from stripread.monitoring.sites import SiteInventory
from stripread.monitoring.status import SiteStatus, WaterStatus
from stripread.monitoring.trend.series import Event
from stripread.monitoring.trend.trend import AnalyteTrend, Trend, TrendPoint
from stripread.report.figures.time_plot import PlottedValue, TimePlot, time_plot
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, bounds_of, list_bar, own_of, plain_bar, tone
from stripread.report.text import permitted
from stripread.report.trend import sentences
from stripread.store.models.evidence import ValueSummary, summarise_value
from stripread.store.models.sites import NEAREST, SamplingPoint, Unit
from stripread.store.store import Store
from stripread.web.sites_view import deviation_text

#: Days of a unit's remaining life that its bar shows, and from which its change is due.
_DAYS_SHOWN, _DAYS_DUE = 180.0, 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStep:
    """A point or a unit in the order of flow; ``colours`` of the point's last reading; ``bar``: remaining life."""

    kind: str
    id: str
    title: str
    detail: str
    on: date | None
    reading: str
    colours: tuple[str, ...]
    bar: WindowBar | None
    days: int | None


@dataclass(frozen=True, slots=True)
class WaterCell:
    """A value of feed or treated water on its limits."""

    text: str
    tone: Tone
    bar: WindowBar | None


@dataclass(frozen=True, slots=True)
class WaterRow:
    """An analyte in the waters of a site; ``limits``: the permitted values of the last one."""

    analyte: str
    unit: str
    cells: tuple[WaterCell, ...]
    limits: str


@dataclass(frozen=True, slots=True)
class SiteTrend:
    """Trend of one analyte at one point, with its events and its description."""

    point: str
    analyte: str
    plot: TimePlot
    events: tuple[Event, ...]
    words: tuple[str, ...]
    unit: str
    limits: str


def headline(status: SiteStatus, notation: Notation) -> tuple[Tone, str]:
    """Return the verdict on a site in one line."""
    water = status.water
    if water is None:
        return "nr", "Never assessed"
    if water.first is None:
        return "ok", f"Within limits: {water.name}"
    others = sum(d.verdict == water.verdict and not d.not_measured for d in water.deviations[1:])
    word = VERDICT_NAMES[water.verdict].capitalize()
    more = f", and {others} more" if others > 0 else ""
    return tone(water.verdict), f"{word}: {deviation_text(water.deviations, notation)}{more}"


def flow(inventory: SiteInventory, status: SiteStatus, last: dict[str, tuple[str, datetime]],
         colours: dict[str, tuple[str, ...]], now: datetime) -> list[FlowStep]:
    """Return mains, units and points downstream; ``last``: last reading and its time by point."""
    points = sorted(inventory.points.values(), key=lambda p: (-NEAREST.index(p.place), p.name))
    due = {item.subject: (item.on - now.date()).days for item in status.due if item.kind == "treatment"}
    steps = [_point(p, last, colours) for p in points if p.place == "mains"]
    steps += [_unit(inventory, u, due.get(u.id), now) for u in inventory.units.values() if not inventory.removed(u.id)]
    return [*steps, *(_point(p, last, colours) for p in points if p.place != "mains")]


def _point(point: SamplingPoint, last: dict[str, tuple[str, datetime]], colours: dict[str, tuple[str, ...]]
           ) -> FlowStep:
    reading, at = last.get(point.id, ("", None))
    return FlowStep(kind="point", id=point.id, title=point.name, detail=point.place, on=at.date() if at else None,
                    reading=reading, colours=colours.get(reading, ()), bar=None, days=None)


def _unit(inventory: SiteInventory, unit: Unit, days: int | None, now: datetime) -> FlowStep:
    renewed, share = inventory.renewed(unit.id), inventory.history(unit).setting(now)
    setting = "" if share is None else f"setting {100 * share:.0f} %"
    shown: Tone = "ok" if days is None or days >= _DAYS_DUE else "un" if days >= 0 else "out"
    at = float(max(0, days or 0))
    bar = None if days is None else plain_bar(Interval(value=at, low=at, high=at), LimitBounds(at_least=_DAYS_DUE),
                                              _DAYS_SHOWN, shown)
    return FlowStep(kind="unit", id=unit.id, title=unit.unit.name, detail=setting, reading="", colours=(), bar=bar,
                    on=renewed.at.date() if renewed else None, days=days)


def water_rows(store: Store, waters: Sequence[WaterStatus], values: Mapping[str, Sequence[ValueSummary]],
               notation: Notation) -> list[WaterRow]:
    """Return a row for each analyte; ``values``: those of the latest assessed reading, by reading."""
    judged = judgements_of(store, [w.reading for w in waters if w.reading])
    there = [(judged.get(w.reading, ()), {v.analyte: v for v in values.get(w.reading, ())}) if w.reading else
             _of_sample(store, w) for w in waters]
    analytes = [a for a in ANALYTES if any(a in mine for _, mine in there)]
    return [_water_row(a, there, notation) for a in analytes]


def _of_sample(store: Store, water: WaterStatus) -> tuple[Sequence[Judgement], dict[str, ValueSummary]]:
    """Return criteria and values of a water that a laboratory or a person measured."""
    assessment = assessment_of(store, water)
    return assessment.judgements, {e.analyte: v for e in assessment.values if (v := summarise_value(e)) is not None}


def _water_row(analyte: str, there: Sequence[tuple[Sequence[Judgement], dict[str, ValueSummary]]], notation: Notation
               ) -> WaterRow:
    unit = ANALYTES[analyte].unit
    own = own_of(there[-1][0], analyte)
    bounds = LimitBounds() if own is None else bounds_of(own.limit)
    return WaterRow(analyte, notation.unit_for(unit),
                    tuple(_water_cell(analyte, *one, notation) for one in there),
                    permitted(bounds.at_least, bounds.at_most, unit, notation) if own else "")


def _water_cell(analyte: str, judged: Sequence[Judgement], values: dict[str, ValueSummary], notation: Notation
                ) -> WaterCell:
    value, own = values.get(analyte), own_of(judged, analyte)
    if value is None:
        return WaterCell("", "nr", None)
    text = written(value, ANALYTES[analyte].unit, status=value.status, notation=notation).value
    bar = None if own is None else list_bar(value, bounds_of(own.limit), own.verdict)
    return WaterCell(text, tone(own.verdict if own else None), bar)


def site_trend(trend: Trend, one: AnalyteTrend, judged: Sequence[Judgement], notation: Notation) -> SiteTrend:
    """Return the trend of an analyte in the reader's unit."""
    own = own_of(judged, one.analyte)
    limit = LimitBounds() if own is None else bounds_of(own.limit)
    low, high = (None if b is None else notation.express(b, one.unit) for b in (limit.at_least, limit.at_most))
    bounds = LimitBounds(at_least=low, at_most=high)
    values = [_plotted(seen, bounds, one.unit, notation) for seen in one.seen]
    shown = tuple(m for m in trend.marks if one.seen[0].at <= m.at <= one.seen[-1].at)[-9:]
    limits = permitted(limit.at_least, limit.at_most, one.unit, notation) if own else ""
    label = f"{ANALYTES[one.analyte].name} at {trend.name}: {' '.join(sentences(one))}"
    return SiteTrend(trend.point, one.analyte, time_plot(values, bounds, [m.at for m in shown], label=label,
                                                         notation=notation),
                     shown, tuple(notation.prose(s) for s in sentences(one)), notation.unit_for(one.unit), limits)


def _plotted(seen: TrendPoint, bounds: LimitBounds, unit: str, notation: Notation) -> PlottedValue:
    value, low, high = (notation.express(v, unit) for v in (seen.value, seen.low, seen.high))
    text = written(seen, unit, status=seen.status, notation=notation)
    return PlottedValue(seen.at, value, low, high, _tone(low, high, bounds),
                        f"{notation.day(seen.at)}: {text.brief} {text.unit}")


def _tone(low: float, high: float, bounds: LimitBounds) -> Tone:
    """Return where an interval lies: within the limits, across one, or beyond."""
    least = float("-inf") if bounds.at_least is None else bounds.at_least
    most = float("inf") if bounds.at_most is None else bounds.at_most
    if low >= least and high <= most:
        return "ok"
    return "out" if high < least or low > most else "un"
