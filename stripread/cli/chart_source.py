"""A chart that a command names: a file with its release files, or a registered chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibration.chart import Chart, load_chart
from calibration.checks import Check, CheckRule
from calibration.release import Evidence, Release, gate_checks, releases_beside, save_release
from shared.errors import FileError
from stripread.cli.output import DONE, echo

if TYPE_CHECKING:
    from stripread.store.store import Store


@dataclass(frozen=True, slots=True)
class ChartOptions:
    """What a person states of a chart: for a file tables, profiles and expiry date; for a stored one tube and phone."""

    tables: Sequence[Path] = ()
    profiles: Sequence[Path] = ()
    expires: datetime | None = None
    tube: str | None = None
    phone: str | None = None

    @property
    def expiry(self) -> date | None:
        """The expiry date of the strip batch."""
        return self.expires and self.expires.date()


@dataclass(frozen=True, slots=True)
class ChartFile:
    """A chart in a file."""

    path: Path
    chart: Chart

    def releases(self) -> tuple[Release, ...]:
        """Return the statements in files of the same folder."""
        return releases_beside(self.path)

    def author(self, given: str | None) -> str:
        """Return the name of the person who makes a statement."""
        if given is None or not given.strip():
            raise click.UsageError("a release file names the person who releases the chart: give --by")
        return given

    def evidence(self, given: ChartOptions) -> Evidence:
        """Evaluate the check standards of the tables on the chart."""
        from stripread.cli.inputs import read_checks

        pairs = [pair for table in given.tables for pair in read_checks(table, self.chart, given.profiles)]
        return Evidence(checks=gate_checks(pairs), expires=given.expiry)

    def check(self, table: Path, rule: CheckRule, given: ChartOptions, *, as_json: bool) -> tuple[list[Check], int]:
        """Evaluate and report the check standards of a table; return them with the exit status."""
        from stripread.cli.inputs import read_checks
        from stripread.reading.calibrate import judge
        from stripread.report.calibration_text import check_lines

        if given.tube or given.phone:
            raise click.UsageError("--tube and --phone apply to a registered chart: register it, or omit them")
        checked = judge(read_checks(table, self.chart, given.profiles), self.chart, rule=rule)
        if as_json:
            import msgspec

            echo(msgspec.json.encode(checked))
        else:
            echo("\n".join(check_lines(checked)))
        return list(checked), DONE

    def store_release(self, release: Release) -> str:
        """Write the statement to a file in the chart's folder; return its path."""
        return str(save_release(release, self.path))


@dataclass(frozen=True, slots=True)
class StoredChartSource:
    """A registered chart."""

    store: Store
    chart: Chart

    def releases(self) -> tuple[Release, ...]:
        """Return the statements that accounts made on it."""
        from stripread.store.chart_selection import releases

        return releases(self.store, self.chart.id)

    def author(self, given: str | None) -> str:
        """Return the current account: a person cannot make statements for another."""
        from stripread.cli.store import account_of

        if given is not None:
            raise click.UsageError("a registered chart is released or withdrawn by the current account: omit --by")
        return account_of(self.store)

    def evidence(self, given: ChartOptions) -> Evidence:
        """Return the check standards and expiry date in the store."""
        from stripread.intake.qualification import gate_evidence

        if given != ChartOptions():
            raise click.UsageError("the store contains check standards (stripread chart check) and expiry date "
                                   "(stripread strips set-expiry) of registered charts: omit --checks, --profile "
                                   "and --expires")
        return gate_evidence(self.store, self.chart)

    def check(self, table: Path, rule: CheckRule, given: ChartOptions, *, as_json: bool) -> tuple[list[Check], int]:
        """Store, evaluate and report the check standards of a table; return them with the exit status."""
        from stripread.cli.intake import receive_checks
        from stripread.intake.receive import SampleInfo
        from stripread.reading.calibrate import judge
        from stripread.report.calibration_text import check_lines

        if given.profiles:
            raise click.UsageError("card profiles of registered charts are in the store (stripread card register): "
                                   "omit --profile")
        sample = SampleInfo(tube=given.tube, phone=given.phone)
        pairs, status = receive_checks(self.store, self.chart, table, sample, as_json=as_json)
        checked = judge(pairs, self.chart, rule=rule)
        if not as_json:
            echo("\n".join(check_lines(checked)))
        return list(checked), status

    def store_release(self, release: Release) -> str:
        """Store a statement of the current account; return where."""
        from stripread.intake.materials_import import add_release

        add_release(self.store, release.by, release)
        return self.store.where


def chart_source(named: Path) -> ChartFile | StoredChartSource:
    """Return the chart of a file; if there is no such file, the registered one of this batch or hash prefix.

    Raises InputError if there is neither.
    """
    if named.exists() or named.suffix == ".json":
        return ChartFile(named, load_chart(named))
    from stripread.cli.store import open_store_from_settings
    from stripread.store.chart_selection import batches_with_charts, find_chart
    from stripread.store.errors import NoRecordsError
    from stripread.store.lookup import list_some

    try:
        store = open_store_from_settings()
    except NoRecordsError as error:
        raise FileError("there is no file of this name, and no store with registered charts", where=str(named),
                        allowed="a chart file") from error
    found = find_chart(store, str(named), datetime.now(UTC))
    if found is None:
        raise FileError("there is no file of this name and no registered chart of this batch or hash", where=str(named),
                        allowed=f"batches {list_some(batches_with_charts(store))}, or a chart file",
                        remedy="register a chart with `stripread chart register FILE.json`")
    return StoredChartSource(store, found)
