"""``stripread storage``: the store as a whole: location, backups, retention, exchange with another store."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import click
import msgspec

from shared.text import many
from stripread.cli.commands import CommandGroup
from stripread.cli.options import DAY, FILE, cluster_option, filtered, json_option, why_option
from stripread.cli.output import echo, with_progress
from stripread.cli.store import open_store_from_settings, store_and_account
from stripread.cli.table_import import dry_run_option, import_files, table_files
from stripread.store.lookup import resolve_id
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.store.reading_query import ReadingFilter
from stripread.store.settings import load_settings
from stripread.store.store import Store


@click.group(cls=CommandGroup, examples=("stripread storage backup /media/disk/backup",))
def storage() -> None:
    """Back up, restore, purge, export and import the store.

    Location: STRIPREAD_DATABASE (a URL) and STRIPREAD_PHOTOGRAPHS (a folder or bucket), or a TOML file with the keys
    database and photographs, named by STRIPREAD_SETTINGS [default: your user data folder]. Current account:
    STRIPREAD_ACCOUNT (an account's ID), or the key account [default: the only account].
    """


@storage.command(examples=("stripread storage info",))
@json_option
def info(*, as_json: bool) -> None:
    """Show where the store is and how much it contains."""
    store = open_store_from_settings()
    facts = {"database": store.where, "photograph_store": load_settings().photographs,
             "accounts": len(store.ids(Account)), "readings": len(store.ids(StoredReading)),
             "photographs": len(store.ids(Photograph)), "audit_entries": store.head().entries}
    echo(msgspec.json.encode(facts) if as_json else "\n".join(
        f"{name.replace('_', ' '):16}  {value}" for name, value in facts.items()))


@storage.command(examples=("stripread storage backup /media/disk/backup",))
@click.argument("to", type=click.Path(file_okay=False, path_type=Path))
@json_option
def backup(to: Path, *, as_json: bool) -> None:
    """Back up the whole store to the folder TO; the store may be in use.

    A later backup to the same folder is incremental: only new photographs are copied, and photographs purged since
    then are purged from the backup as well. The previous backup is retained until the new one is complete. Store TO
    on another disk, and copies of several days elsewhere with restricted access: they contain names of persons.
    """
    from stripread.store.backup.backup import back_up

    made = back_up(open_store_from_settings(), to, with_progress)
    if as_json:
        echo(msgspec.json.encode(made))
        return
    head = made.manifest.head
    purged = f", {made.forgotten} purged" if made.forgotten else ""
    echo(f"{to}: {many(sum(made.manifest.rows.values()), 'row')}, {many(made.photographs, 'photograph')} "
         f"({made.copied} new{purged}); checkpoint: {head.entries} entries, {head.hash}")


@storage.command(examples=("stripread storage restore /media/disk/backup",))
@click.argument("from_", metavar="FROM", type=click.Path(file_okay=False, path_type=Path))
@json_option
def restore(from_: Path, *, as_json: bool) -> None:
    """Restore the backup in the folder FROM into the configured store, which must be empty.

    The backup is verified before any record is committed. The database may be of another type (SQLite or PostgreSQL).
    All sessions are ended.
    """
    from stripread.store.backup.backup import restore as restore_backup

    manifest = restore_backup(from_, load_settings(), with_progress)
    head = manifest.head
    echo(msgspec.json.encode(manifest) if as_json else
         f"restored and verified; checkpoint: {head.entries} entries, {head.hash}")


@storage.command(examples=('stripread storage purge --before 2029-01-01 --why "retention period of 2 years"',))
@click.argument("photographs", nargs=-1, metavar="[PHOTOGRAPH]...")
@click.option("--before", type=DAY, metavar="DAY", help="Day (UTC); all photographs received before it are purged.")
@why_option
@click.option("--yes", is_flag=True, help="No confirmation prompt.")
@json_option
def purge(photographs: tuple[str, ...], before: datetime | None, why: str, *, yes: bool, as_json: bool) -> None:
    """Purge permanently the files of PHOTOGRAPHS whose retention period has ended.

    PHOTOGRAPH is an SHA-256 or a prefix of it. Readings and assessments are retained, but a purged photograph can no
    longer be re-evaluated. The audit trail records who purged it, when and why. A backup contains the file until
    `stripread storage backup` is run again.
    """
    from stripread.intake.receive import delete_photo

    _check_purge(photographs, before)
    store, by = store_and_account()
    ids = _to_purge(store, photographs, before)
    if ids and not yes:
        click.confirm(f"Purge {many(len(ids), 'photograph')}{_unread(store, ids)} permanently?", abort=True, err=True)
    for id_ in with_progress(ids, "Purging"):
        delete_photo(store, id_, by=by, why=why)
    echo(msgspec.json.encode({"purged": ids}) if as_json else f"{many(len(ids), 'photograph')} purged")


def _check_purge(photographs: tuple[str, ...], before: datetime | None) -> None:
    from stripread.store.chart_selection import LEAST_DIGITS

    if bool(photographs) == (before is not None):
        raise click.UsageError("name photographs, or a day with --before, not both")
    if any(len(named) < LEAST_DIGITS for named in photographs):
        raise click.UsageError(f"a prefix of a photograph's SHA-256 has at least {LEAST_DIGITS} digits")


def _to_purge(store: Store, named: tuple[str, ...], before: datetime | None) -> list[str]:
    from stripread.intake.receive import received_before

    if before is None:
        return [resolve_id(store, Photograph, one) for one in named]
    return [p.id for p in received_before(store, before.replace(tzinfo=UTC))]


def _unread(store: Store, ids: list[str]) -> str:
    """State how many of them were never evaluated."""
    from stripread.intake.process import without_reading

    number = len({p.id for p in without_reading(store)} & {*ids})
    return f" ({number} of them never evaluated)" if number else ""


@storage.command(examples=("stripread storage export -o records.jsonl --photographs originals",
                           "stripread storage export --group hills -o hills.jsonl"))
@filtered
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Number of latest readings [default: all].")
@click.option("-o", "--output", type=FILE, metavar="FILE", help="File to write [default: standard output].")
@click.option("--photographs", metavar="FOLDER",
              help="Folder or bucket for the original photographs, with all their metadata, locations included "
                   "[default: not exported].")
def export(*, wanted: Callable[[Store], ReadingFilter], last: int | None, output: Path | None,
           photographs: str | None) -> None:
    """Export whole records (JSON lines) for another store.

    Without filters everything is exported, including records that no reading uses. Persons appear as pseudonymous IDs.
    """
    from stripread.cli.output import write_chunks
    from stripread.exchange.jsonl import copy_photographs, lines
    from stripread.store.photos import open_photographs

    store = open_store_from_settings()
    chosen = _chosen(store, wanted(store), last)
    write_chunks(output, _with_newlines(lines(store, chosen)))
    copied = copy_photographs(store, open_photographs(photographs), chosen) if photographs else 0
    if output:
        echo(f"{output}: whole records" + (f"; {many(copied, 'photograph')} in {photographs}" if photographs else ""))


def _with_newlines(lines: Iterable[bytes]) -> Iterable[bytes]:
    return (line + b"\n" for line in lines)


def _chosen(store: Store, wanted: ReadingFilter, last: int | None) -> list[str] | None:
    """Return IDs of readings; None without filters: everything, including what no reading uses."""
    from stripread.store.reading_query import readings

    if last is None and wanted == ReadingFilter():
        return None
    return [listed.id for listed in readings(store, wanted, last)]


@storage.command("import", examples=("stripread storage import records.jsonl --photographs originals",
                                     "stripread storage import records.jsonl --dry-run"))
@table_files
@click.option("--photographs", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="FOLDER",
              help="Folder of the original photographs; they are identified by their hash, not their name.")
@dry_run_option
@cluster_option
@json_option
def import_(*, files: Sequence[Path], photographs: Path | None, dry_run: bool, cluster: str | None,
            as_json: bool) -> None:
    """Import whole records that another store exported.

    The import is atomic and idempotent. Records that differ are changed; the audit trail records both versions. On a
    cluster the workers hash and copy the photographs.
    """
    from stripread.cli.options import cluster_or_serial
    from stripread.exchange.jsonl import Originals

    executor = cluster_or_serial(cluster)
    import_files(files, photographs=Originals(photographs, executor), dry_run=dry_run, as_json=as_json)
