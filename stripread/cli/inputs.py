"""What commands take: photographs from files and folders, charts, profiles."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from calibration.chart import Chart, load_chart
from shared.card import CardLayout
from shared.errors import FileError
from shared.profile import PrintProfile, read_profile
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
        raise FileError("the folder holds no photographs", where=str(folder), allowed=" ".join(SUFFIXES))
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
