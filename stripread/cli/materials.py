"""What a command reads photographs with: a chart and profiles from files, or those that are kept of a batch."""

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
    """A chart with the flags of its ``state``, profiles, and the camera models known, None where nobody keeps them."""

    chart: Chart
    profiles: list[PrintProfile]
    state: tuple[str, ...]
    phones: frozenset[str] | None = None


def materials(chart: Path | None, batch: str | None, profiles: Sequence[Path]) -> ReadingMaterials:
    """Those of the files named, or of the batch whose chart is kept. Raises InputError where there are none."""
    if (chart is None) == (batch is None):
        raise click.UsageError("say which chart: --batch of one that is kept (stripread records keep), "
                               "or --chart with its file")
    return _of_files(chart, profiles) if chart is not None else _kept(batch or "", profiles)


def _of_files(chart: Path, profiles: Sequence[Path]) -> ReadingMaterials:
    loaded, found = chart_and_profiles(chart, profiles)
    return ReadingMaterials(loaded, found, state_of(loaded.id, releases_beside(chart), now=datetime.now(UTC)))


def _kept(batch: str, profiles: Sequence[Path]) -> ReadingMaterials:
    from stripread.cli.records.store import open_store_from_settings
    from stripread.intake.phones import qualified_models
    from stripread.store import chart_selection as kept

    store = open_store_from_settings()
    now = store.clock()
    chart = kept.chart_for(store, batch, now)
    found = measured(profiles, chart.card) or list(kept.profiles(store, chart.card))
    return ReadingMaterials(chart, found, kept.chart_flags(store, chart, now), qualified_models(store, now))
