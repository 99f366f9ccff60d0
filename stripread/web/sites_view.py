"""View model of the overview of sites: a line for each, what is out of limits first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import cos, radians
from typing import Final

from assess.draws import Interval
from assess.judgement import Judgement
from shared.analytes import ANALYTES
from shared.notation import Notation
from shared.text import written
from stripread.monitoring.assessed_water import Deviation, criteria_of
from stripread.monitoring.next_action import not_measured
from stripread.monitoring.status import SiteStatus
from stripread.monitoring.valid_readings import ValidReading, latest
from stripread.report.figures.time_plot import TrendLine, trend_line
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, bounds_of, own_of, plain_bar, tone
from stripread.report.text import permitted
from stripread.store.store import Store

#: Readings of a small trend; days shown of a unit's remaining life, and those from which its change is due.
READINGS, _DAYS_SHOWN, _DAYS_DUE = 9, 180.0, 14.0


@dataclass(frozen=True, slots=True)
class TrendCell:
    """Last value of an analyte with its trend; ``line`` None: no value."""

    analyte: str
    value: str
    tone: Tone
    line: TrendLine | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLine:
    """A site: its verdict, by how much it is out of limits and since when, values, remaining life, next action."""

    id: str
    name: str
    tone: Tone
    verdict: str
    reading: str
    deviation: str
    since: date | None
    cells: tuple[TrendCell, ...]
    days: int | None
    remaining: WindowBar | None
    action: str
    due: date | None
    overdue: bool


def site_lines(store: Store, sites: Sequence[SiteStatus], today: date, notation: Notation) -> list[SiteLine]:
    """Return the lines of the sites of one page."""
    points = {s.water.point: s.water for s in sites if s.water is not None}
    read: dict[str, list[ValidReading]] = {}
    for reading in latest(store, points, READINGS):
        read.setdefault(reading.point, []).append(reading)
    judged = criteria_of(store, points.values())
    analytes = _analytes(r for there in read.values() for r in there)
    return [_line(s, (read, judged, analytes), today, notation) for s in sites]


_Material = tuple[Mapping[str, list[ValidReading]], Mapping[str, tuple[Judgement, ...]], list[str]]


def _analytes(readings: Iterable[ValidReading]) -> list[str]:
    analytes = {v.analyte for r in readings for v in r.values}
    return [a for a in ANALYTES if a in analytes]


def _line(s: SiteStatus, given: _Material, today: date, notation: Notation) -> SiteLine:
    read, judged, analytes = given
    water, days = s.water, _days_left(s, today)
    there = read.get(water.point, []) if water else []
    criteria = judged.get(water.assessment, ()) if water else ()
    return SiteLine(
        id=s.site, name=s.name, tone=tone(s.verdict), verdict=s.verdict or "none",
        reading=water.reading if water else "",
        deviation=deviation_text(water.deviations, notation) if water and water.deviations else "",
        since=water.since if water and s.verdict != "within-limits" else None,
        cells=tuple(_cell(a, there, own_of(criteria, a), notation) for a in analytes), days=days,
        remaining=None if days is None else _remaining(days), due=s.next.on if s.next else None,
        action=s.next.what if s.next else "", overdue=s.next is not None and s.next.on < today)


def _days_left(s: SiteStatus, today: date) -> int | None:
    return min(((item.on - today).days for item in s.due if item.kind == "treatment"), default=None)


def _remaining(days: int) -> WindowBar:
    shown: Tone = "out" if days < 0 else "un" if days < _DAYS_DUE else "ok"
    at = float(max(0, days))
    return plain_bar(Interval(value=at, low=at, high=at), LimitBounds(at_least=_DAYS_DUE), _DAYS_SHOWN, shown)


def _cell(analyte: str, there: Sequence[ValidReading], own: Judgement | None, notation: Notation) -> TrendCell:
    values = [v for reading in there for v in reading.values if v.analyte == analyte]
    if not values:
        return TrendCell(analyte, "", "nr", None)
    last, verdict = values[-1], own.verdict if own else None
    text = written(last, ANALYTES[analyte].unit, status=last.status, notation=notation).value
    bounds = LimitBounds() if own is None else bounds_of(own.limit)
    limits = permitted(bounds.at_least, bounds.at_most, ANALYTES[analyte].unit, notation) if own else "no limits"
    label = f"{ANALYTES[analyte].name} {text}, limits {limits}, {len(values)} readings"
    return TrendCell(analyte, text, tone(verdict), trend_line([v.value for v in values], bounds, verdict, label))


def deviation_text(deviations: Sequence[Deviation], notation: Notation) -> str:
    """Return the first deviation, as "Total hardness: 320 mg/L CaCO3, at most 90", or what was not measured."""
    if missing := not_measured(deviations):
        return f"Not measured: {missing}"
    d = deviations[0]
    value = written(d, d.unit, status=d.status, notation=notation)
    above = d.at_most is not None and (d.at_least is None or d.value > (d.at_least + d.at_most) / 2)
    limit = permitted(None if above else d.at_least, d.at_most if above else None, d.unit, notation)
    place = f", {d.place}" if d.place else ""
    unit = f" {value.unit}" if value.unit else ""
    name = d.name if d.name[:2] == "pH" else d.name[:1].upper() + d.name[1:]
    return f"{name}{place}: {value.value}{unit}, {'permitted: ' if value.beyond else ''}{limit}"


@dataclass(frozen=True, slots=True)
class MapDot:
    """A site on the map, in percent of its width and height; ``labelled``: its name fits between the others."""

    id: str
    name: str
    x: float
    y: float
    tone: Tone
    labelled: bool = True


#: Margin of the map, percent.
_MARGIN: Final = 8.0
#: Width and height of a label, percent of the map on a phone.
_LABEL: Final = (36.0, 5.0)


def map_dots(sites: Sequence[SiteStatus], places: Mapping[str, tuple[float, float]]) -> list[MapDot]:
    """Return the sites with coordinates; ``places``: latitude and longitude by site. The most severe are drawn last."""
    shown = [s for s in reversed(sites) if s.site in places]
    if not shown:
        return []
    lats, lons = zip(*(places[s.site] for s in shown), strict=True)
    middle = (min(lats) + max(lats)) / 2
    stretch = max(0.1, cos(radians(middle)))
    width = max((max(lons) - min(lons)) * stretch, max(lats) - min(lats)) or 1.0
    span = 100.0 - 2 * _MARGIN
    centre = (min(lons) + max(lons)) / 2
    return _labelled([MapDot(s.site, s.name, round(50.0 + span * (lon - centre) * stretch / width, 2),
                             round(50.0 - span * (lat - middle) / width, 2), tone(s.verdict))
                      for s, lat, lon in zip(shown, lats, lons, strict=True)])


def _labelled(dots: list[MapDot]) -> list[MapDot]:
    """Return the dots, labelled where the name covers none of a more severe site."""
    named: list[MapDot] = []
    for dot in reversed(dots):
        if all(abs(dot.x - n.x) >= _LABEL[0] or abs(dot.y - n.y) >= _LABEL[1] for n in named):
            named.append(dot)
    return [dot if dot in named else replace(dot, labelled=False) for dot in dots]
