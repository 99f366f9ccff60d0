"""``stripread audit``: the audit trail, its checkpoints, verification of all records."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click
import msgspec

from shared.files import read_json, write_whole
from shared.text import many
from stripread.cli.commands import CommandGroup
from stripread.cli.options import FILE, cluster_option, cluster_or_serial, json_option
from stripread.cli.output import DONE, WRONG, echo, echo_error, with_progress
from stripread.cli.store import open_store_from_settings
from stripread.store.audit_trail import AuditEntry, Checkpoint, chain_links
from stripread.store.lookup import short_id

#: Entries shown unless --last is given.
_PAGE: Final = 50


@click.group(cls=CommandGroup, examples=("stripread audit verify",))
def audit() -> None:
    """List the audit trail, export checkpoints, verify all records, prove single ones."""


@audit.command("list", examples=("stripread audit list --last 10", "stripread audit list --record limestone-hill"))
@click.option("--last", type=click.IntRange(min=1), metavar="N",
              help=f"Number of latest entries [default: {_PAGE}; all with --json].")
@click.option("--record", metavar="ID", help="ID of a record, or a prefix [default: all].")
@click.option("--json", "as_json", is_flag=True,
              help="Output as JSON, one object per line: an entry's text and its hash. The hash is the SHA-256 of the "
                   "previous hash (32 bytes; zeros before the first) and the text (UTF-8), so that anyone can follow "
                   "the chain to a checkpoint.")
def list_(*, last: int | None, record: str | None, as_json: bool) -> None:
    """List entries of the audit trail, the latest at the end: time (UTC), account, action, record, reason."""
    store, count = open_store_from_settings(), 0
    with store.viewing() as connection:
        for link in chain_links(connection, last=last or (None if as_json else _PAGE), record=record):
            echo(msgspec.json.encode(link) if as_json else _line(link.entry()))
            count += 1
    if not count:
        echo_error("the audit trail is empty" if record is None else f"the audit trail has no entry on record {record}")


def _line(entry: AuditEntry) -> str:
    about = f"{entry.kind} {short_id(entry.record)}" if entry.record else ""
    why = f"({entry.why})" if entry.why else ""
    when = entry.when[:19].replace("T", " ")
    return "  ".join(filter(None, (f"{entry.seq:6}", when, entry.account, entry.action, about, why)))


@audit.command(examples=("stripread audit checkpoint --json > checkpoint.json",))
@json_option
def checkpoint(*, as_json: bool) -> None:
    """Show the number of entries and the latest hash of the audit trail.

    Store the checkpoint elsewhere: `stripread audit verify --checkpoint` proves that no earlier entry was removed or
    altered.
    """
    checkpoint_ = open_store_from_settings().head()
    echo(msgspec.json.encode(checkpoint_) if as_json else f"{checkpoint_.entries} entries, {checkpoint_.hash}")


@audit.command(examples=("stripread audit verify --checkpoint checkpoint.json",
                         "stripread audit verify --checkpoint checkpoint.json --since-checkpoint"))
@click.option("--checkpoint", "exported", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Checkpoint exported earlier with `stripread audit checkpoint --json`.")
@click.option("--since-checkpoint", "since", is_flag=True,
              help="Only what was recorded after the checkpoint; earlier records are not read.")
@cluster_option
@json_option
def verify(*, exported: Path | None, since: bool, cluster: str | None, as_json: bool) -> int:
    """Verify database, audit trail and photographs against each other; report the first discrepancy.

    Nothing is written: a store on a read-only medium is verified in place. On a cluster the workers read the
    photographs.
    """
    from stripread.store.integrity import verify_store
    from stripread.store.settings import load_settings
    from stripread.store.store import open_to_verify
    from stripread.store.verification import verify_since

    earlier = None if exported is None else read_json(exported, Checkpoint)
    if since and earlier is None:
        raise click.UsageError("--since-checkpoint needs the checkpoint: give --checkpoint too")
    store = open_to_verify(load_settings())
    click.get_current_context().call_on_close(store.close)
    executor = cluster_or_serial(cluster)
    verification = verify_since(store, earlier, executor) if since and earlier else verify_store(
        store, earlier, with_progress, executor)
    if as_json:
        echo(msgspec.json.encode(verification))
    else:
        for note in verification.notes:
            echo_error(note)
        echo(verification.wrong or "no discrepancies found")
        echo(f"{many(verification.records, 'record')}, {many(verification.photographs, 'photograph')}, "
             f"{verification.head.entries} entries of the audit trail")
    return WRONG if verification.wrong else DONE


@audit.command(examples=("stripread audit prove 3f2a91 -o proof.json --checkpoint checkpoint.json",
                         "stripread audit prove --check proof.json --checkpoint checkpoint.json"))
@click.argument("record", required=False)
@click.option("--checkpoint", "exported", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Checkpoint exported earlier [default: the present one; required with --check].")
@click.option("-o", "--output", type=FILE, metavar="FILE.json", help="Proof to write [default: standard output].")
@click.option("--check", "proof", type=click.Path(path_type=Path), metavar="FILE.json",
              help="Proof to check against the checkpoint, without the store.")
def prove(record: str | None, *, exported: Path | None, output: Path | None, proof: Path | None) -> int:
    """Prove that RECORD had its contents before a checkpoint, or check such a proof.

    RECORD is the ID of a record, or a prefix, as `stripread audit list` shows it. A proof contains the record and all
    entries of the audit trail from its last one to the checkpoint. To check it, a person needs the proof and a
    checkpoint received independently of it.
    """
    from stripread.store.verification import AuditProof, fault_of
    from stripread.store.verification import prove as proved

    checkpoint = None if exported is None else read_json(exported, Checkpoint)
    if (record is None) == (proof is None) or (proof is not None and checkpoint is None):
        raise click.UsageError("name a RECORD, or give --check with --checkpoint")
    if proof is not None and checkpoint is not None:
        proof_ = read_json(proof, AuditProof)
        wrong = fault_of(proof_, checkpoint)
        entry = proof_.entry
        echo(wrong or f"valid: {entry.kind} {entry.record}, entry {entry.seq} of {checkpoint.entries}, {entry.when}")
        return WRONG if wrong else DONE
    made = msgspec.json.encode(proved(open_store_from_settings(), str(record), checkpoint))
    if output is None:
        echo(made)
    else:
        write_whole(output, made)
        echo(f"proof written to {output}")
    return DONE
