"""Options that several commands share, and where their work runs: here, in processes, or on a cluster."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from shared.analytes import ANALYTES
from shared.flags import FLAGS

if TYPE_CHECKING:
    from shared.strip import StripType
    from stripread.reading.executors import Executor
    from stripread.reading.result import ManualLocation
    from stripread.store.reading_query import ReadingFilter
    from stripread.store.store import Store

Command = Callable[..., Any]


class Day(click.DateTime):
    """A day such as ``2031-05-02``; the value is its first moment."""

    def __init__(self) -> None:
        super().__init__(["%Y-%m-%d"])

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the day; fail for any other text."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self.fail(f"{value!r} is not a date; write it like 2031-05-02", param, ctx)


class Reason(click.types.StringParamType):
    """A reason in words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the reason; fail where it is empty."""
        return str(value) if str(value).strip() else self.fail("the reason is empty; give a reason", param, ctx)


DAY: Final = Day()
REASON: Final = Reason()
FILE: Final = click.Path(dir_okay=False, path_type=Path)

json_option = click.option("--json", "as_json", is_flag=True, help="Output as JSON.")
json_lines_option = click.option("--json", "as_json", is_flag=True, help="Output as JSON, one object per line.")
why_option = click.option("--why", type=REASON, required=True, metavar="TEXT", help="Reason, for the audit trail.")
profile_option = click.option("--profile", "profiles", multiple=True, metavar="FILE", type=click.Path(path_type=Path),
                              help="Card profile of the print run (CGATS.17); repeatable "
                                   "[default: nominal colours, wider intervals].")
processes_option = click.option("--processes", type=click.IntRange(1, 64), metavar="N",
                                help="Number of worker processes [default: automatic].")
cluster_option = click.option("--cluster", metavar="tls://HOST:PORT",
                              help="Dask scheduler whose workers do the work [default: cluster.scheduler of the "
                                   "settings file; without it, this machine].")
intervals_option = click.option("--intervals", type=click.Path(path_type=Path), envvar="STRIPREAD_INTERVALS",
                                metavar="FILE.toml", help="Own maintenance intervals [default: the supplied ones].")
analyte_option = click.option("--analyte", type=click.Choice(list(ANALYTES)), metavar="ANALYTE",
                              help="Single analyte, such as chloride [default: all].")


def qualification(command: Command) -> Command:
    """Give a command that records a qualification its OUTCOME, ``--until``, ``--note`` and ``--json``."""
    options = (
        click.argument("outcome", type=click.Choice(["qualified", "not-qualified"]), metavar="OUTCOME",
                       callback=lambda _context, _parameter, outcome: outcome.replace("-", " ")),
        click.option("--until", type=DAY, metavar="DAY", help="Last day of the qualification [default: unlimited]."),
        click.option("--note", default="", metavar="TEXT", help="Evidence, for the audit trail."),
        json_option)
    for option in reversed(options):
        command = option(command)
    return command


def scoped(command: Command) -> Command:
    """Give a command ``--site`` and ``--group``; it takes them as a `Scope`. Raises RecordsError for unknown ones."""

    @click.option("--site", metavar="SITE", help="Site: its ID, a prefix of it, or its name [default: all].")
    @click.option("--group", metavar="GROUP", help="Group of sites: its ID, a prefix or its name [default: all].")
    @wraps(command)
    def with_scope(*, site: str | None, group: str | None, **options: Any) -> Any:
        from stripread.cli.store import open_store_from_settings
        from stripread.monitoring.sites import Scope
        from stripread.store.lookup import resolve_id
        from stripread.store.models.sites import Site, SiteGroup

        store = open_store_from_settings()
        scope = Scope(site=site and resolve_id(store, Site, site), group=group and resolve_id(store, SiteGroup, group))
        return command(scope=scope, store=store, **options)

    return with_scope


def placing(command: Command) -> Command:
    """Give a command ``--corners``, ``--pads`` and ``--run``."""
    for option in reversed(_PLACING):
        command = option(command)
    return command


def manual_location(corners: str | None, pads: tuple[str, ...], run: int | None,
                    strip: StripType) -> ManualLocation | None:
    """Return the location given on the command line, or None. Raises InputError where it cannot be parsed."""
    if corners is None and not pads and run is None:
        return None
    from stripread.reading.manual_location import corners_from_text, pads_from_text
    from stripread.reading.result import ManualLocation

    return ManualLocation(None if corners is None else corners_from_text(corners), pads_from_text(pads, strip), run)


_PLACING: Final = (
    click.option("--corners", metavar="'X,Y X,Y X,Y X,Y'",
                 help="Manual corners of the card in pixels of the upright photograph: top left, top right, "
                      "bottom right, bottom left [default: found by the markers]."),
    click.option("--pads", multiple=True, metavar="ANALYTE=X,Y",
                 help="Manual centre of a pad in pixels; at least two are needed to determine the strip's orientation "
                      "[default: found on the card]."),
    click.option("--run", type=int, metavar="N",
                 help="Print run of a manually located card [default: that of the only card profile]."),
)


def filtered(command: Command) -> Command:
    """Give a command the filters as options; it takes them as a function from the store to what is wanted."""

    @wraps(command)
    def with_filters(**options: Any) -> Any:
        chosen = {name: options.pop(name) for name in (
            *_PLACES, "since", "until", "verdict", "flag", "status", "state", "reviewed")}
        return command(wanted=lambda store: _filter(store, chosen), **options)

    for option in reversed(_FILTERS):
        with_filters = option(with_filters)
    return with_filters


_PLACES: Final = ("site", "group", "point", "batch")
_VERDICTS: Final = ("within-limits", "inconclusive", "out-of-limits")
_STATUS: Final = ("measured", "no-result")
_STATE: Final = {"current": "current", "superseded": "superseded", "any": None}
_REVIEWED: Final = ("unreviewed", "accepted", "rejected", "waiting", "disputed", "corrected")
_FILTERS: Final = (
    *(click.option(f"--{name}", metavar=name.upper(), help=f"{words}: its ID, a prefix or its name [default: all].")
      for name, words in (("site", "Site"), ("group", "Group of sites"), ("point", "Sampling point"))),
    click.option("--batch", metavar="BATCH", help="Strip batch [default: all]."),
    click.option("--since", type=DAY, metavar="DAY", help="First day of sampling (UTC), such as 2031-05-02."),
    click.option("--until", type=DAY, metavar="DAY", help="Last day of sampling (UTC)."),
    click.option("--verdict", type=click.Choice(_VERDICTS), metavar="VERDICT",
                 help=f"Outcome for the machine: {', '.join(_VERDICTS)} [default: all]."),
    click.option("--flag", type=click.Choice(list(FLAGS)), metavar="FLAG",
                 help="ID of a flag, such as glare [default: all readings]."),
    click.option("--status", type=click.Choice(_STATUS), metavar="STATUS",
                 help=f"Status of the reading: {' or '.join(_STATUS)} [default: both]."),
    click.option("--state", type=click.Choice(list(_STATE)), metavar="STATE", default="current", show_default=True,
                 help=f"Readings to include: {', '.join(_STATE)}."),
    click.option("--reviewed", type=click.Choice(_REVIEWED), metavar="STATUS",
                 help=f"Review status: {', '.join(_REVIEWED)} [default: all]."),
)


def _filter(store: Store, chosen: dict[str, Any]) -> ReadingFilter:
    from stripread.store.lookup import resolve_id
    from stripread.store.models.materials import Batch
    from stripread.store.models.record import Record
    from stripread.store.models.sites import SamplingPoint, Site, SiteGroup
    from stripread.store.reading_query import ReadingFilter

    types: tuple[type[Record], ...] = (Site, SiteGroup, SamplingPoint, Batch)
    places: dict[str, Any] = {name: chosen[name] and resolve_id(store, type_, chosen[name])
                              for name, type_ in zip(_PLACES, types, strict=True)}
    corrected = chosen["reviewed"] == "corrected"
    return ReadingFilter(
        **places, since=_start(chosen["since"]), until=_end(chosen["until"]), verdict=chosen["verdict"],
        flag=chosen["flag"], status=chosen["status"], state=_STATE[chosen["state"]],
        reviewed=None if corrected else chosen["reviewed"], corrected=corrected or None)


def _start(day: datetime | None) -> datetime | None:
    return day and day.replace(tzinfo=UTC)


def _end(day: datetime | None) -> datetime | None:
    return day and day.replace(tzinfo=UTC) + timedelta(days=1, microseconds=-1)


def chosen_executor(jobs: int | None, *, worth: int, processes: int | None, cluster: str | None) -> Executor:
    """Return the executor that the options and settings name.

    ``jobs``: their number, None where it is unknown and may be large. ``worth``: the number of jobs that take as long
    as starting a process; fewer jobs use a cluster only where ``--cluster`` names it. Raises InputError for a cluster
    that cannot be used safely.
    """
    from stripread.reading.executors import SERIAL, executor_for

    if cluster and processes:
        raise click.UsageError("--processes is for this machine and --cluster for others: give only one")
    if cluster or (not processes and (jobs is None or jobs >= worth)):
        executor = cluster_or_serial(cluster)
        if executor is not SERIAL:
            return executor
    return executor_for(worth * (os.cpu_count() or 1) if jobs is None else jobs, worth=worth, processes=processes)


def cluster_or_serial(cluster: str | None) -> Executor:
    """Return the executor on the cluster that the option or the settings name, otherwise in this process."""
    import msgspec

    from stripread.reading.cluster_executor import ClusterExecutor
    from stripread.reading.executors import SERIAL
    from stripread.store.settings import load_settings

    named = load_settings().cluster
    used = msgspec.structs.replace(named, scheduler=cluster or named.scheduler)
    if used.scheduler is None:
        return SERIAL
    used.check()
    return ClusterExecutor(used)


def for_workers(path: Path, executor: Executor) -> Path:
    """Return a path as the executor's processes find it: those of a cluster have other working directories."""
    from stripread.reading.cluster_executor import ClusterExecutor

    return path.absolute() if isinstance(executor, ClusterExecutor) else path
