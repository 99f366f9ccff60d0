"""Mutated charts, profiles, tables and settings: each is used or refused with a message, and nothing else happens."""


import msgspec
import pytest

from calibration.chart import Chart
from stripread.store.accounts import SignIn, create_first
from stripread.store.integrity import verify_store
from tests.hostile.documents import Documents
from tests.stripread.store.histories import new_store


@pytest.fixture(scope="module")
def documents(tmp_path_factory: pytest.TempPathFactory, sample_chart: Chart) -> Documents:
    folder = tmp_path_factory.mktemp("documents")
    store = new_store(folder)
    account = create_first(store, "Ines of the Mill", SignIn("ines", ""))
    return Documents(folder, msgspec.json.encode(sample_chart), store, account)


def test_a_mutated_document_is_used_or_refused(documents: Documents) -> None:
    """A tenth of the corpus; the whole of it runs in `make soak`. The store stays sound."""
    outcomes = [documents.trial(number) for number in range(50)]
    assert {outcome for _, outcome in outcomes} == {"used", "refused"}
    assert len({kind for kind, _ in outcomes}) == 7
    assert not verify_store(documents.store).wrong
