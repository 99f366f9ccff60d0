"""Registration of charts with their releases, card profiles, strip batches and tubes."""

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
    """Description of a file's content and number of new records; ``terms``: own limits or units changed."""

    what: str
    new: int
    terms: bool = False


class _FileFormat(msgspec.Struct, frozen=True):
    """The format that a JSON file declares."""

    format: str = ""


def import_file(store: Store, by: str, path: Path) -> ImportedFile:
    """Register a file: a chart with the releases in its folder, a release, a card profile, or limits or units (TOML).

    Registered contents are left unchanged. Raises FileError for any other file.
    """
    if path.suffix.lower() == SUFFIX:
        with store.writing(by) as transaction:
            what, new = register(transaction, path)
        return ImportedFile(what, int(new), terms=new)
    data = read_bytes(path)
    if not data.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(_JSON_STARTS):
        return register_profile(store, by, data, str(path))
    format_ = decode_json(data, _FileFormat, where=str(path)).format
    if format_.startswith("strip-chart/"):
        return register_chart(store, by, decode_json(data, Chart, where=str(path)), releases_beside(path))
    if format_.startswith("chart-release/"):
        return _release(store, by, decode_json(data, Release, where=str(path)))
    raise FileError("this type of file cannot be registered", where=str(path),
                    found=repr(format_) if format_ else "other JSON",
                    allowed="a chart, a release of a chart, a CGATS.17 profile of a print run, limits or units (TOML)")


def register_chart(store: Store, by: str, chart: Chart, statements: tuple[Release, ...] = ()) -> ImportedFile:
    """Store a chart with its releases, and its strip batch if that is new."""
    chart_releases = [r for r in statements if r.chart == chart.id]
    with store.writing(by) as transaction:
        _make_batch(transaction, Batch(id=chart.batch, strip=chart.strip.name))
        new = transaction.current(StoredChart, chart.id) is None
        if new:
            transaction.put(StoredChart(id=chart.id, batch=chart.batch, at=transaction.now, chart=chart), "registered")
        releases = sum(_put_release(transaction, r) for r in chart_releases)
    described = f" with {len(chart_releases)} release{'s' * (len(chart_releases) != 1)}" if chart_releases else ""
    return ImportedFile(f"chart {chart.id[:12]} of batch {chart.batch}{described}", new + releases)


def register_batch(store: Store, by: str, batch: Batch) -> bool:
    """Store a batch; return False if it is unchanged. Raises RecordsError for another strip type."""
    with store.writing(by) as transaction:
        _check_strip(transaction.current(Batch, batch.id), batch)
        return transaction.put(batch, "recorded")


def register_tube(store: Store, by: str, tube: Tube) -> bool:
    """Store the new data of a tube, merged with the stored data. Raises RecordsError for a tube of another batch."""
    with store.writing(by) as transaction:
        known = transaction.current(Tube, tube.id) or tube
        if known.batch != tube.batch:
            raise RecordsError("the tube belongs to another batch", where=f"tube {tube.id}", found=tube.batch,
                               allowed=known.batch, remedy="give each tube its own ID")
        return transaction.put(msgspec.structs.replace(
            known, opened=tube.opened or known.opened, finished=tube.finished or known.finished), "recorded")


def _make_batch(transaction: Transaction, batch: Batch) -> None:
    known = transaction.current(Batch, batch.id)
    _check_strip(known, batch)
    if known is None:
        transaction.put(batch, "registered")


def _check_strip(known: Batch | None, described: Batch) -> None:
    if known is not None and known.strip != described.strip:
        raise RecordsError(
            "the batch has another strip type",
            where=f"batch {described.id}",
            found=repr(described.strip),
            allowed=repr(known.strip),
            remedy="give the batch its own ID",
        )


def _release(store: Store, by: str, release: Release) -> ImportedFile:
    with store.writing(by) as transaction:
        new = _put_release(transaction, release)
    return ImportedFile(f"the statement that chart {release.chart[:12]} is {release.state}", int(new))


def _put_release(transaction: Transaction, release: Release) -> bool:
    """Store a release that passes the gate; return False if it is stored already.

    A file may name a person; the record names the account that stores it, and its id does not depend on the name.
    Raises MismatchError for a release that fails the gate.
    """
    id_ = content_hash(msgspec.structs.replace(release, by="-"))
    if transaction.current(StoredRelease, id_) is not None:
        return False
    stored = transaction.current(StoredChart, release.chart)
    if stored is not None:
        check_gate(release, stored.chart)
    return transaction.put(StoredRelease(
        id=id_, chart=release.chart, state=release.state, account=transaction.by, at=release.when, why=release.why,
        valid_from=release.valid_from, valid_until=release.valid_until, evidence=release.evidence,
        despite=release.despite), release.state)


def add_release(store: Store, by: str, release: Release) -> None:
    """Store a release or withdrawal of a stored chart by the account ``by``."""
    with store.writing(by) as transaction:
        _put_release(transaction, release)


def register_profile(store: Store, by: str, data: bytes, where: str) -> ImportedFile:
    """Store the card profile of a print run (CGATS.17). Raises FileError if it is not one, or names no print run."""
    text = cgats_text(data, where)
    profile = profile_of(text, where)
    if profile.run is None:
        raise FileError("the profile does not state its print run", where=where)
    with store.writing(by) as transaction:
        new = transaction.current(PrintRun, profile.id) is None
        if new:
            transaction.put(PrintRun(id=profile.id, run=profile.run, at=transaction.now, text=text), "registered")
    return ImportedFile(f"the profile of print run {profile.run}", int(new))
