"""What a command evaluates photographs with: chart and profiles from files, or those registered of a batch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import click

from calibration.chart import Chart
from calibration.release import releases_beside, state_of
from shared.profile import PrintProfile
from stripread.cli.inputs import chart_and_profiles, measured


@dataclass(frozen=True, slots=True)
class ReadingMaterials:
    """A chart with the flags of its ``state``, profiles, and the qualified camera models, None without a store."""

    chart: Chart
    profiles: list[PrintProfile]
    state: tuple[str, ...]
    phones: frozenset[str] | None = None


def materials(chart: Path | None, batch: str | None, profiles: Sequence[Path]) -> ReadingMaterials:
    """Return those of the files, or of the batch in the store. Raises InputError where there are none."""
    if (chart is None) == (batch is None):
        raise click.UsageError("give --batch of a registered chart (stripread chart register), or --chart with a "
                               "file")
    return _of_files(chart, profiles) if chart is not None else _stored(batch or "", profiles)


def _of_files(chart: Path, profiles: Sequence[Path]) -> ReadingMaterials:
    loaded, found = chart_and_profiles(chart, profiles)
    return ReadingMaterials(loaded, found, state_of(loaded.id, releases_beside(chart), now=datetime.now(UTC)))


def _stored(batch: str, profiles: Sequence[Path]) -> ReadingMaterials:
    from stripread.cli.store import open_store_from_settings
    from stripread.intake.phones import qualified_models
    from stripread.store import chart_selection

    store = open_store_from_settings()
    now = store.clock()
    chart = chart_selection.chart_for(store, batch, now)
    found = measured(profiles, chart.card) or list(chart_selection.profiles(store, chart.card))
    return ReadingMaterials(chart, found, chart_selection.chart_flags(store, chart, now), qualified_models(store, now))
