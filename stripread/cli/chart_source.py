"""A chart that a command names: a file with its release files, or a chart in the records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from calibration.chart import Chart, load_chart
from calibration.gate import Evidence, gate_checks
from calibration.release import Release, releases_beside, save_release
from shared.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from stripread.store.store import Store


@dataclass(frozen=True, slots=True)
class Given:
    """What a person gives for the release of a chart in a file: standards tables, profiles, the strips' expiry date."""

    tables: Sequence[Path] = ()
    profiles: Sequence[Path] = ()
    expires: date | None = None


@dataclass(frozen=True, slots=True)
class ChartFile:
    """A chart in a file."""

    path: Path
    chart: Chart

    def releases(self) -> tuple[Release, ...]:
        """What the files beside it say."""
        return releases_beside(self.path)

    def who(self, given: str | None) -> str:
        """Who makes a statement."""
        if given is None:
            raise click.UsageError("a release file names who says so: give --who")
        return given

    def evidence(self, given: Given) -> Evidence:
        """Read the check standards of the tables on the chart."""
        from stripread.cli.checking import read_checks

        pairs = [pair for table in given.tables for pair in read_checks(table, self.chart, given.profiles)]
        return Evidence(checks=gate_checks(pairs), expires=given.expires)

    def say(self, release: Release) -> str:
        """Write the statement to a file in the chart's folder; return its path."""
        return str(save_release(release, self.path))


@dataclass(frozen=True, slots=True)
class KeptChart:
    """A chart in the records."""

    store: Store
    chart: Chart

    def releases(self) -> tuple[Release, ...]:
        """What accounts said of it."""
        from stripread.store.chart_selection import releases

        return releases(self.store, self.chart.id)

    def who(self, given: str | None) -> str:
        """The account that acts: nobody speaks for another."""
        from stripread.store.current_account import current_account
        from stripread.store.settings import load_settings

        if given is not None:
            raise click.UsageError("of a chart in the records the account that acts says so: leave --who out")
        return current_account(self.store, load_settings())

    def evidence(self, given: Given) -> Evidence:
        """Return what the records have of it."""
        from stripread.intake.release_gate import gate_evidence

        if given != Given():
            raise click.UsageError("the records have check standards (stripread records check) and expiry date "
                                   "(stripread records batch --expires) of their charts: omit --checks, --profile "
                                   "and --expires")
        return gate_evidence(self.store, self.chart)

    def say(self, release: Release) -> str:
        """Keep a statement of the account that acts; where it went."""
        from stripread.intake.materials_import import add_release

        add_release(self.store, release.who, release)
        return self.store.where


def chart_source(named: Path) -> ChartFile | KeptChart:
    """The chart of a file; where there is no such file, the kept one of this batch, or whose hash begins so.

    Raises InputError where there is neither.
    """
    if named.exists() or named.suffix == ".json":
        return ChartFile(named, load_chart(named))
    from stripread.cli.records.store import open_store_from_settings
    from stripread.store.chart_selection import batches_with_charts, find_chart
    from stripread.store.errors import NoRecordsError
    from stripread.store.lookup import list_some

    try:
        store = open_store_from_settings()
    except NoRecordsError as error:
        raise FileError("there is no file of this name, and there are no records in which it could be a batch",
                        where=str(named), allowed="a chart's file") from error
    kept = find_chart(store, str(named), datetime.now(UTC))
    if kept is None:
        raise FileError("there is neither a file of this name, nor a chart of this batch or hash in the records",
                        where=str(named), allowed=f"batches {list_some(batches_with_charts(store))}, or a chart's file")
    return KeptChart(store, kept)
