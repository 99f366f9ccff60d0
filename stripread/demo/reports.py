"""Reports on the sample company's year: sites, groups, trends, control charts, review statistics."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import msgspec

from calibration.control import control_charts
from shared.files import write_whole
from stripread.demo.company import points
from stripread.intake.check_standards import for_control
from stripread.monitoring.schedule.due import due_list
from stripread.monitoring.schedule.intervals import load_intervals
from stripread.monitoring.sites import Scope
from stripread.monitoring.trend.trend import trend
from stripread.report.control_plot import write_control_plot
from stripread.report.document import write_document
from stripread.report.sites.group import group_report
from stripread.report.sites.site import site_report
from stripread.report.trend import write_trend_plot
from stripread.review.session import summary
from stripread.store.models.sites import Site, SiteGroup
from stripread.store.settings import Settings
from stripread.store.store import Store

#: Weeks that the schedule looks ahead.
_WEEKS = 8


def report_jobs(store: Store, settings: Settings, folder: Path) -> list[Callable[[], Path]]:
    """Return a function for each report; each writes it and returns its path."""
    return [*(partial(_site, store, settings, folder, site) for site in store.ids(Site)),
            *(partial(_group, store, settings, folder, group) for group in store.ids(SiteGroup)),
            *(partial(_trend, store, folder, point) for point in points()),
            partial(_control, store, folder), partial(_schedule, store, folder), partial(_statistics, store, folder)]


def _site(store: Store, settings: Settings, folder: Path, site: str) -> Path:
    path = folder / f"site-{site}.html"
    write_document(path, site_report(store, settings, load_intervals(), site))
    return path


def _group(store: Store, settings: Settings, folder: Path, group: str) -> Path:
    path = folder / f"group-{group}.html"
    write_document(path, group_report(store, settings, load_intervals(), group))
    return path


def _trend(store: Store, folder: Path, point: str) -> Path:
    path = folder / f"trend-{point.replace('/', '-')}.svg"
    write_trend_plot(path, trend(store, point))
    return path


def _control(store: Store, folder: Path) -> Path:
    path = folder / "control-charts.svg"
    write_control_plot(path, control_charts(for_control(store)))
    return path


def _schedule(store: Store, folder: Path) -> Path:
    return _json(folder / "schedule.json", due_list(store, load_intervals(), scope=Scope(), weeks=_WEEKS))


def _statistics(store: Store, folder: Path) -> Path:
    return _json(folder / "review-statistics.json", summary(store))


def _json(path: Path, value: object) -> Path:
    write_whole(path, msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n")
    return path
