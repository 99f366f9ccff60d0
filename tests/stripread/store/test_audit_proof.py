"""A proof is valid without the store, and no altered proof is."""

from pathlib import Path

import msgspec
import pytest

from stripread.store.audit_trail import Checkpoint
from stripread.store.errors import RecordsError
from stripread.store.models.sites import Site
from stripread.store.store import Store
from stripread.store.verification import AuditProof, fault_of, prove
from tests.stripread.cli.inside import stripread
from tests.stripread.store.histories import empty_store, keep, with_site


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return with_site(empty_store(tmp_path))


def test_a_record_is_proved_up_to_an_earlier_checkpoint(store: Store) -> None:
    then = store.head()
    keep(store, msgspec.structs.replace(store.get(Site, "mill"), name="Mill Street"), Site(id="quay", name="Quay"))
    proof = prove(store, "mill", then)
    assert (fault_of(proof, then), '"Mill Lane"' in proof.body) == ("", True), "the contents of that time"
    assert '"Mill Street"' in prove(store, "mill").body
    assert prove(store, "mil", then) == proof, "a unique prefix of the id"
    with pytest.raises(RecordsError, match="no entry on this record before the checkpoint; found quay"):
        prove(store, "quay", then)
    with pytest.raises(RecordsError, match="do not lead to the checkpoint"):
        prove(store, "mill", Checkpoint(entries=then.entries, hash="0" * 64))


def test_no_altered_proof_is_valid(store: Store) -> None:
    proof, head = prove(store, "mill"), store.head()
    first, *others = proof.entries
    for changed in ({"body": proof.body.replace("Mill", "Hill")}, {"entries": (first,)}, {"entries": ()},
                    {"entries": (first.replace('"who":"', '"who":"x'), *others)}, {"before": "0" * 64},
                    {"entries": (first, *others[::-1])}):
        assert fault_of(msgspec.structs.replace(proof, **changed), head), changed
    assert fault_of(proof, Checkpoint(entries=head.entries + 1, hash=head.hash))


def test_the_command_proves_and_checks(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STRIPREAD_DATABASE", store.engine.url.render_as_string())
    head, proof = tmp_path / "head.json", tmp_path / "proof.json"
    head.write_text(stripread("audit", "checkpoint", "--json").stdout)
    assert stripread("audit", "prove", "mill", "-o", proof).stdout == f"proof written to {proof}\n"
    monkeypatch.setenv("STRIPREAD_DATABASE", f"sqlite:///{tmp_path / 'none.sqlite'}")
    valid = stripread("audit", "prove", "--check", proof, "--checkpoint", head)
    assert (valid.returncode, valid.stdout.startswith("valid: sites mill, entry ")) == (0, True)
    made = msgspec.json.decode(proof.read_bytes(), type=AuditProof)
    proof.write_bytes(msgspec.json.encode(msgspec.structs.replace(made, body="{}")))
    wrong = stripread("audit", "prove", "--check", proof, "--checkpoint", head)
    assert (wrong.returncode, "not those that the entry records" in wrong.stdout) == (2, True)
