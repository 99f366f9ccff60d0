"""The sample company's folder: its store, built on first use, the settings file that opens it, reports on its year."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Final

import msgspec

from calibration.control import control_charts
from shared.files import write_whole
from stripread.demo.company import PEOPLE, Person, points
from stripread.demo.construction import settings_of, worker_pool
from stripread.demo.year import Progress, build
from stripread.intake.standards import for_control
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
from stripread.store.accounts import SignIn, add_sign_in, list_accounts, reset_password
from stripread.store.models.accounts import ROLES, Role
from stripread.store.models.sites import Site, SiteGroup
from stripread.store.settings import Settings
from stripread.store.store import Store, open_store

#: Where the store is in the demonstration folder; a file that exists once the store is complete.
STORE: Final = "company"
SETTINGS_FILE: Final = "stripread.toml"
#: Time of day (UTC) after which all that happens on a day of the story has happened.
_EVENING: Final = timedelta(hours=18)
#: Random bytes of a password.
_BYTES: Final = 12


def exists(out: Path) -> bool:
    """Return whether the sample company's store is complete in the folder ``out``."""
    return (out / STORE / SETTINGS_FILE).is_file()


def company_settings(out: Path, watch: Progress[int] = iter) -> Settings:
    """Return the settings of the sample company's store in the folder ``out``; build the store if it is missing.

    A store whose construction was interrupted is built again.
    """
    folder = (out / STORE).absolute()
    if not exists(out):
        for stale in folder.glob("records.sqlite*"):
            stale.unlink()
        folder.mkdir(parents=True, exist_ok=True)
        with worker_pool() as pool:
            build(folder, last_day(datetime.now(UTC)), pool, watch=watch)
        _write_settings(folder)
    return settings_of(folder)


def last_day(now: datetime) -> date:
    """Return the latest day on which the story may end, so that no record is later than now."""
    return (now - _EVENING).date()


def _write_settings(folder: Path) -> None:
    """Write the settings file for the command line, which acts as the manager."""
    settings = settings_of(folder)
    store = open_store(settings, new=False)
    try:
        who = accounts(store)
    finally:
        store.close()
    others = "".join(f"# {role}: {id_}\n" for role, id_ in who.items())
    lines = [f'database = "{settings.database}"', f'photographs = "{settings.photographs}"',
             f'account = "{who["manager"]}"', "", "[review]", f"share = {settings.review.share}",
             f'seed = "{settings.review.seed}"', "", "[issuer]", f'name = "{settings.issuer.name}"']
    text = f"# Store of the sample company: all data are fictitious. Accounts by role:\n{others}" + "\n".join(lines)
    write_whole(folder / SETTINGS_FILE, f"{text}\n".encode())


def accounts(store: Store) -> dict[Role, str]:
    """Return the ids of the accounts by role."""
    ids = {role: a.account for a in list_accounts(store) for role in a.roles}
    return {role: ids[role] for role in ROLES if role in ids}


def new_passwords(settings: Settings, hashed: Callable[[str], str]) -> list[tuple[Person, str]]:
    """Give each account of the company a new random password; return them with their persons.

    ``hashed``: returns the hash of a password.
    """
    store = open_store(settings, new=False)
    try:
        who, sign_ins = accounts(store), {a.account for a in list_accounts(store) if a.sign_in}
        given = [(person, secrets.token_urlsafe(_BYTES)) for person in PEOPLE]
        for person, password in given:
            id_, by = who[person.role], who["administrator"]
            if id_ in sign_ins:
                reset_password(store, id_, hashed(password), by=by)
            else:
                add_sign_in(store, id_, SignIn(person.sign_in, hashed(password)), by=by)
    finally:
        store.close()
    return given


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
