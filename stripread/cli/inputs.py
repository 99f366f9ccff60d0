"""Inputs of commands: photographs named on a command line, charts, profiles, check standards."""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime
from heapq import nsmallest
from pathlib import Path
from typing import Final

import click

from calibration.chart import Chart, load_chart
from calibration.checks import Pair
from calibration.release import releases_beside, state_of
from calibration.standards import read_standards
from shared.card import CardLayout
from shared.errors import FileError
from shared.profile import PrintProfile, read_profile
from stripread.cli.output import echo_error, with_progress
from stripread.intake.sampling_context import resolve_point
from stripread.reading.photo import SUFFIXES
from stripread.reading.photo_file import SCHEME, PhotoAddress, address_of, photos_below
from stripread.review.move import Destination
from stripread.store.errors import RecordsError
from stripread.store.lookup import resolve_id
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.models.materials import Tube
from stripread.store.models.sites import Site
from stripread.store.reading_status import superseding
from stripread.store.store import Store

#: Address of standard input.
_STANDARD_INPUT: Final = "-"
#: Names of a folder that are in memory at a time; it is listed again for each further part.
_NAMES: Final = 50_000


@dataclass(frozen=True, slots=True)
class PhotoFolder(Collection[str]):
    """The names of the ``count`` photographs in a folder, in order; few of a million are in memory at a time."""

    folder: Path
    count: int

    def __len__(self) -> int:
        return self.count

    def __iter__(self) -> Iterator[str]:
        last = ""
        while names := nsmallest(_NAMES, (name for name in _names(self.folder) if name > last)):
            yield from names
            if len(names) < _NAMES:
                return
            last = names[-1]

    def __contains__(self, name: object) -> bool:
        return any(found == name for found in self)


@dataclass(frozen=True, slots=True)
class LocalPhotos(Collection[Path]):
    """Photographs in files and folders of this machine; ``parts``: each folder with the names of its files."""

    parts: Sequence[tuple[Path, Collection[str]]]

    def __len__(self) -> int:
        return sum(len(names) for _, names in self.parts)

    def __iter__(self) -> Iterator[Path]:
        return (folder / name for folder, names in self.parts for name in names)

    def __contains__(self, photo: object) -> bool:
        return any(path == photo for path in self)


def local_photos(paths: Iterable[Path]) -> LocalPhotos:
    """Return the files named and the photographs in the folders named, in order; an empty folder is an error."""
    return LocalPhotos([(p, _in_folder(p)) if p.is_dir() else (p.parent, [p.name]) for p in paths])


def named_photos(names: Sequence[str], list_: str | None) -> Collection[PhotoAddress] | Iterator[PhotoAddress]:
    """Return files, folders, buckets and the addresses in a list; an iterator where their number is not known yet."""
    if list_ is None and not any(name.startswith(SCHEME) for name in names):
        return local_photos(map(Path, names))
    return _streamed(names, list_)


def _streamed(names: Sequence[str], list_: str | None) -> Iterator[PhotoAddress]:
    for name in names:
        yield from _below(name) if name.startswith(SCHEME) else local_photos([Path(name)])
    if list_ is not None:
        yield from _listed(list_)


def _below(url: str) -> Iterator[PhotoAddress]:
    if url.lower().endswith(SUFFIXES):
        yield address_of(url)
        return
    any_photo = False
    for photo in photos_below(url, SUFFIXES):
        any_photo = True
        yield photo
    if not any_photo:
        raise FileError("the bucket contains no photographs with this prefix", where=url, allowed=" ".join(SUFFIXES))


def _listed(list_: str) -> Iterator[PhotoAddress]:
    """Return the addresses of a list, one a line; blank lines and those that begin with # are ignored."""
    try:
        with nullcontext(sys.stdin) if list_ == _STANDARD_INPUT else Path(list_).open(encoding="utf-8-sig") as lines:
            for line in lines:
                if (text := line.strip()) and not text.startswith("#"):
                    yield address_of(text)
    except (OSError, UnicodeDecodeError) as error:
        raise FileError("the list cannot be read", where=list_, found=str(error),
                        allowed="text in UTF-8, one address on each line") from error


def _in_folder(folder: Path) -> PhotoFolder:
    count = sum(1 for _ in _names(folder))
    if not count:
        raise FileError("the folder contains no photographs", where=str(folder), allowed=" ".join(SUFFIXES))
    return PhotoFolder(folder, count)


def _names(folder: Path) -> Iterator[str]:
    """Yield the names of a folder's photographs in no particular order."""
    with os.scandir(folder) as entries:
        yield from (entry.name for entry in entries if entry.name.lower().endswith(SUFFIXES))


@dataclass(frozen=True, slots=True)
class ReadingMaterials:
    """A chart with the flags of its ``state``, profiles, and from a store the qualified camera models and last day.

    ``phones``: None without a store. ``last_day``: on which strips of the batch may be used, None: not recorded.
    """

    chart: Chart
    profiles: list[PrintProfile]
    state: tuple[str, ...]
    phones: frozenset[str] | None = None
    last_day: date | None = None


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
    from stripread.intake.qualification import qualified_models
    from stripread.store import chart_selection

    store = open_store_from_settings()
    now = store.clock()
    chart = chart_selection.chart_for(store, batch, now)
    found = measured(profiles, chart.card) or list(chart_selection.profiles(store, chart.card))
    state = state_of(chart.id, chart_selection.releases(store, chart.id), now=now)
    return ReadingMaterials(chart, found, state, qualified_models(store, now),
                            chart_selection.last_day(store, chart.batch))


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
    from stripread.reading.calibrate import read_check_samples
    from stripread.reading.read import ReadingSetup

    rows = [r for r in read_standards(table, {p.analyte: p.unit for p in chart.strip.pads}) if r.role == "check"]
    on = ReadingSetup(chart, tuple(measured(profiles, chart.card)))
    pairs, missing = read_check_samples(rows, on, lambda rows: with_progress(rows, "Evaluating"))
    for one in missing:
        echo_error(f"{one.photo}, {one.analyte}: {one.why}")
    return pairs


def destination(store: Store, why: str, stated: Mapping[str, str | None]) -> Destination:
    """Return the site, sampling point, tube and account stated. Raises RecordsError for unknown ones."""
    site, tube, account = stated["site"], stated["tube"], stated["account"]
    return Destination(point=resolve_point(store, site and resolve_id(store, Site, site), stated["point"]),
                       tube=tube and resolve_id(store, Tube, tube),
                       account=account and resolve_id(store, Account, account), why=why)


def photograph_of(store: Store, typed: str) -> str:
    """Return the ID of a photograph, or of that of a reading. Raises RecordsError for a superseded reading."""
    if store.ids(Photograph, id=typed):
        return typed
    reading = store.get(StoredReading, resolve_id(store, StoredReading, typed))
    with store.viewing() as connection:
        later = superseding(connection, reading.id)
    if later is not None:
        raise RecordsError("the reading was superseded", where=f"reading {reading.id}",
                           found=f"current reading {later}", remedy="move the current reading")
    return reading.photograph
