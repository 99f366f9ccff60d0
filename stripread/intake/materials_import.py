"""Charts with their releases, profiles of print runs, batches and tubes taken into the store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec

from calibration.chart import Chart
from calibration.release import Release, check_gate, releases_beside
from shared.cgats import cgats_text
from shared.errors import FileError
from shared.files import content_hash, decode_json, read_bytes
from shared.profile import profile_of
from stripread.intake.terms import SUFFIX, register
from stripread.store.errors import RecordsError
from stripread.store.models.materials import Batch, PrintRun, StoredChart, StoredRelease, Tube
from stripread.store.store import Store
from stripread.store.transaction import Transaction

_JSON_STARTS = (b"{", b"[")


@dataclass(frozen=True, slots=True)
class ImportedFile:
    """What a file contained, in words, and how much of it is new; ``terms``: what waters are judged against changed."""

    what: str
    new: int
    terms: bool = False


class _Said(msgspec.Struct, frozen=True):
    """What a JSON file says it is."""

    format: str = ""


def import_file(store: Store, by: str, path: Path) -> ImportedFile:
    """Keep what a file holds: a chart, with the releases beside it, a release, or a profile of a print run.

    What is there already stays as it is. Raises FileError for a file that is none of these.
    """
    if path.suffix.lower() == SUFFIX:
        with store.writing(by) as work:
            what, new = register(work, path)
        return ImportedFile(what, int(new), terms=new)
    data = read_bytes(path)
    if not data.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(_JSON_STARTS):
        return _profile(store, by, data, str(path))
    said = decode_json(data, _Said, where=str(path)).format
    if said.startswith("strip-chart/"):
        return register_chart(store, by, decode_json(data, Chart, where=str(path)), releases_beside(path))
    if said.startswith("chart-release/"):
        return _release(store, by, decode_json(data, Release, where=str(path)))
    raise FileError("the file is none that is kept", where=str(path), found=repr(said) if said else "other JSON",
                    allowed="a chart, a release of a chart, a CGATS.17 profile of a print run, limits or units (TOML)")


def register_chart(store: Store, by: str, chart: Chart, said: tuple[Release, ...] = ()) -> ImportedFile:
    """Keep a chart with what is said of it; its batch is made if it is new."""
    mine = [r for r in said if r.chart == chart.id]
    with store.writing(by) as work:
        _make_batch(work, Batch(id=chart.batch, strip=chart.strip.name))
        new = work.current(StoredChart, chart.id) is None
        if new:
            work.put(StoredChart(id=chart.id, batch=chart.batch, at=work.now, chart=chart), "kept")
        releases = sum(_put_release(work, r) for r in mine)
    told = f" and {len(mine)} statement{'s' * (len(mine) != 1)} on it" if mine else ""
    return ImportedFile(f"chart {chart.id[:12]} of batch {chart.batch}{told}", new + releases)


def register_batch(store: Store, by: str, batch: Batch) -> bool:
    """Keep a batch as it is told now; False where that says nothing new. Raises RecordsError for another strip type."""
    with store.writing(by) as work:
        _check_strip(work.current(Batch, batch.id), batch)
        return work.put(batch, "told")


def register_tube(store: Store, by: str, tube: Tube) -> bool:
    """Keep what is told of a tube beside what is known of it. Raises RecordsError for a tube of another batch."""
    with store.writing(by) as work:
        known = work.current(Tube, tube.id) or tube
        if known.batch != tube.batch:
            raise RecordsError("the tube is of another batch", where=f"tube {tube.id}", found=tube.batch,
                               allowed=known.batch, remedy="give each tube its own id")
        return work.put(msgspec.structs.replace(
            known, opened=tube.opened or known.opened, finished=tube.finished or known.finished), "told")


def _make_batch(work: Transaction, batch: Batch) -> None:
    known = work.current(Batch, batch.id)
    _check_strip(known, batch)
    if known is None:
        work.put(batch, "kept")


def _check_strip(known: Batch | None, told: Batch) -> None:
    if known is not None and known.strip != told.strip:
        raise RecordsError("the batch is of another strip type", where=f"batch {told.id}", found=repr(told.strip),
                           allowed=repr(known.strip), remedy="give the batch its own id")


def _release(store: Store, by: str, release: Release) -> ImportedFile:
    with store.writing(by) as work:
        new = _put_release(work, release)
    return ImportedFile(f"the statement that chart {release.chart[:12]} is {release.state}", int(new))


def _put_release(work: Transaction, release: Release) -> bool:
    """Store a release that passes the gate; False where it is stored already.

    A file may name a person; the record names the account that stored it, and its id is free of that name.
    Raises MismatchError for a release that fails the gate.
    """
    id_ = content_hash(msgspec.structs.replace(release, who="-"))
    if work.current(StoredRelease, id_) is not None:
        return False
    stored = work.current(StoredChart, release.chart)
    if stored is not None:
        check_gate(release, stored.chart)
    return work.put(StoredRelease(
        id=id_, chart=release.chart, state=release.state, account=work.by, at=release.when, why=release.why,
        valid_from=release.valid_from, valid_until=release.valid_until, evidence=release.evidence,
        despite=release.despite), release.state)


def add_release(store: Store, by: str, release: Release) -> None:
    """Keep a statement of the account ``by`` on a chart that is kept."""
    with store.writing(by) as work:
        _put_release(work, release)


def _profile(store: Store, by: str, data: bytes, where: str) -> ImportedFile:
    text = cgats_text(data, where)
    profile = profile_of(text, where)
    if profile.run is None:
        raise FileError("the profile names no print run", where=where)
    with store.writing(by) as work:
        new = work.current(PrintRun, profile.id) is None
        if new:
            work.put(PrintRun(id=profile.id, run=profile.run, at=work.now, text=text), "kept")
    return ImportedFile(f"the profile of print run {profile.run}", int(new))
