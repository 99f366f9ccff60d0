"""Inputs of commands: photographs from files and folders, charts, profiles, check standards."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.chart import Chart, load_chart
from calibration.checks import Pair
from calibration.standards import read_standards
from shared.card import CardLayout
from shared.errors import FileError
from shared.profile import PrintProfile, read_profile
from stripread.cli.output import echo_error
from stripread.cli.progress import with_progress
from stripread.reading.photo import SUFFIXES


def photographs(paths: Sequence[Path]) -> list[Path]:
    """The files named and the photographs in the folders named, in order; an empty folder is an error."""
    found: list[Path] = []
    for path in paths:
        found += _in_folder(path) if path.is_dir() else [path]
    return found


def _in_folder(folder: Path) -> list[Path]:
    inside = sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES)
    if not inside:
        raise FileError("the folder contains no photographs", where=str(folder), allowed=" ".join(SUFFIXES))
    return inside


def chart_and_profiles(chart: Path, profiles: Sequence[Path]) -> tuple[Chart, list[PrintProfile]]:
    """A chart and the profiles of print runs of its card, each checked against that card."""
    loaded = load_chart(chart)
    return loaded, measured(profiles, loaded.card)


def measured(profiles: Sequence[Path], card: CardLayout) -> list[PrintProfile]:
    """Profiles of print runs of a card, each checked against it."""
    found = [read_profile(p) for p in profiles]
    for profile in found:
        profile.check_against(card)
    return found


def read_checks(table: Path, chart: Chart, profiles: Sequence[Path]) -> list[Pair]:
    """Return the values of the table's check standards on the chart; report on stderr those without a value."""
    from stripread.reading.check_samples import read_check_samples

    rows = [r for r in read_standards(table, {p.analyte: p.unit for p in chart.strip.pads}) if r.role == "check"]
    pairs, missing = read_check_samples(
        with_progress(rows, "Evaluating"), chart, profiles=measured(profiles, chart.card)
    )
    for one in missing:
        echo_error(f"{one.photo}, {one.analyte}: {one.why}")
    return pairs
