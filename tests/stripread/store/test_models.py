"""Every type of record, with any contents of its fields, is read back unchanged."""

from __future__ import annotations

from datetime import UTC, date
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from assess import Assessment
from assess.equipment import Equipment
from assess.limits import load_limits
from assess.treatment.unit import load_units
from calibration.chart import Chart
from shared.analytes import ANALYTES
from shared.estimate import Correlation, Estimate
from stripread.reading.result import Reading
from stripread.store.errors import RecordsError
from stripread.store.integrity import verify_store
from stripread.store.models.accounts import Account, with_fresh_salt
from stripread.store.models.evidence import (
    Correction,
    Review,
    StoredCheckResult,
    StoredReading,
    ValueSummary,
    decode_summary,
)
from stripread.store.models.materials import (
    Batch,
    KnownValue,
    OwnTerms,
    StandardSolution,
    StoredChart,
    StoredRelease,
    Tube,
)
from stripread.store.models.record import Record, in_current_terms
from stripread.store.models.sites import FOLLOWING, DecisionState, DecisionStep, TreatmentDecision
from stripread.store.schema import RECORD_TYPES, decode
from stripread.store.transaction import _body
from tests.loops import some
from tests.stripread.store.anything import Strategy, estimates, records
from tests.stripread.store.histories import (
    ACCOUNT,
    NOW,
    Value,
    empty_store,
    keep,
    photograph_of,
    reading_of,
    with_chart,
    with_site,
)
from tests.stripread.store.world import Material


@pytest.fixture(scope="session")
def known(material: Material) -> dict[type, Strategy]:
    """What no rule can draw: a fitted chart, a judged water, a machine that could be built."""
    return {Chart: st.just(material.chart), Assessment: st.just(material.assessment), Estimate: estimates(),
            Equipment: st.just(material.assessment.equipment), StandardSolution: solutions(),
            Correlation: correlations()}


def correlations() -> Strategy:
    """Of two different analytes."""
    pairs = st.permutations(list(ANALYTES)).map(lambda names: (names[0], names[1]))
    return st.builds(Correlation, analytes=pairs, r=st.floats(-1, 1), shared=st.floats(-1, 1))


@st.composite
def solutions(draw: st.DrawFn) -> StandardSolution:
    """A solution with reference values of analytes that there are."""
    numbers = st.floats(0, 1e9)
    analytes = draw(st.sets(st.sampled_from(list(ANALYTES))))
    values = {a: KnownValue(value=draw(numbers), u=draw(numbers)) for a in analytes}
    return StandardSolution(standard="H01", role=draw(st.sampled_from(["standard", "check"])), values=values,
                            lights=("window",))


@st.composite
def readings(draw: st.DrawFn, known: dict[type, Strategy]) -> StoredReading:
    """A reading, kept as one of the photograph that it names."""
    reading = draw(records(Reading, known))
    photograph = draw(st.text("0123456789abcdef", min_size=64, max_size=64))
    provenance = msgspec.structs.replace(reading.provenance, photo_sha256=photograph)
    return StoredReading(id=draw(st.text("abc", min_size=1)), photograph=photograph, at=NOW, account=ACCOUNT,
                         reading=msgspec.structs.replace(reading, provenance=provenance),
                         supersedes=draw(st.none() | st.just("earlier")))


@st.composite
def releases(draw: st.DrawFn) -> StoredRelease:
    """A statement on a chart; a release ends after it begins."""
    start, end = sorted(draw(st.tuples(st.datetimes(), st.datetimes())))
    return StoredRelease(
        id="release", chart="0" * 64, state=draw(st.sampled_from(["draft", "released", "withdrawn"])), account=ACCOUNT,
        at=NOW, why=draw(st.text(min_size=1).filter(str.strip)), valid_from=start.replace(tzinfo=UTC),
        valid_until=end.replace(tzinfo=UTC))


@st.composite
def decisions(draw: st.DrawFn) -> TreatmentDecision:
    """A decision that went through some states, each of which may follow the one before."""
    states: list[DecisionState] = ["proposed"]
    for _ in range(draw(st.integers(0, 6))):
        states.append(draw(st.sampled_from(FOLLOWING[states[-1]])))
    steps = tuple(DecisionStep(state=s, at=NOW, account="a", why=draw(st.text(max_size=9))) for s in states)
    quantity = draw(st.integers(0, 9))
    return TreatmentDecision(id="d", site="s", what="turn the head", recommended="", steps=steps, quantity=quantity)


def drawn(type_: type[Record], known: dict[type, Strategy]) -> Strategy:
    """Any record of a type; one that contains a chart or a reading agrees with it."""
    if type_ is StoredReading:
        return readings(known)
    if type_ is StoredChart:
        return known[Chart].map(lambda chart: StoredChart(id=chart.id, batch=chart.batch, at=NOW, chart=chart))
    if type_ is OwnTerms:  # limits of random contents contradict themselves
        return st.just(OwnTerms(id="own", limits=load_limits(), units=load_units()))
    if type_ is TreatmentDecision:
        return decisions()
    return releases() if type_ is StoredRelease else records(type_, known)


@pytest.mark.parametrize("type_", RECORD_TYPES, ids=lambda type_: type_.__name__)
@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_record_survives_storage(type_: type[Record], known: dict[type, Strategy], data: st.DataObject) -> None:
    record = data.draw(drawn(type_, known))
    again = decode(type_, _body(record))
    assert again == record
    assert _body(again) == _body(record)
    row = RECORD_TYPES[type_].row(record)
    assert all(value is None or isinstance(value, str | int) for value in some(row.values()))


def test_a_tube_is_valid_until_the_earlier_of_two_dates() -> None:
    batch = Batch(id="a", strip="s", expires=date(2026, 12, 31), keeps_days=90)
    tube = Tube(id="a/1", batch="a", opened=date(2026, 3, 1))
    assert tube.last_day(batch) == date(2026, 5, 30)
    assert msgspec.structs.replace(tube, opened=date(2026, 12, 1)).last_day(batch) == date(2026, 12, 31)
    assert msgspec.structs.replace(tube, opened=None).last_day(batch) == date(2026, 12, 31)
    assert tube.last_day(Batch(id="a", strip="s")) is None


def ph(unit: str = "pH") -> Estimate:
    return Estimate(analyte="ph", value=7.0, low=6.9, high=7.1, unit=unit)


@pytest.mark.parametrize(("type_", "fields", "words"), [
    (Review, {"reading": "r", "decision": "rejected", "why": " "}, "a rejection or withdrawal needs a reason"),
    (Correction, {"reading": "r", "why": "", "estimate": ph()}, "a correction needs a reason"),
    (Correction, {"reading": "r", "why": "seen", "estimate": ph("mg/L")}, "ph is stored in 'pH', found 'mg/L'"),
    (StoredCheckResult, {"standard": "S", "analyte": "ph", "known": 7.0, "u": 0.1}, "not both"),
    (StoredCheckResult, {"standard": "S", "analyte": "ph", "known": 7.0, "u": 0.1, "reading": "r", "found": ph()},
     "not both"),
    (StoredCheckResult, {"standard": "S", "analyte": "gold", "known": 7.0, "u": 0.1, "reading": "r"},
     "unknown analyte 'gold'")])
def test_a_contradictory_record_is_rejected(type_: type[Any], fields: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        type_(id="x", at=NOW, account=ACCOUNT, **fields)


def test_a_body_of_another_type_is_an_error() -> None:
    with pytest.raises(RecordsError, match=r"a record cannot be read.*stripread audit verify"):
        decode(Account, '{"id":"a","roles":["king"]}')


def test_a_seal_reveals_nothing_without_its_salt() -> None:
    one, two = with_fresh_salt(ACCOUNT, "Ada Exampleworth"), with_fresh_salt(ACCOUNT, "Ada Exampleworth")
    assert one.seal != two.seal
    assert one.seal == msgspec.structs.replace(two, salt=one.salt).seal


def test_the_value_summary_is_stored_and_verified(tmp_path: Path, sample_chart: Chart) -> None:
    store = with_site(empty_store(tmp_path))
    charts = with_chart(store, sample_chart, "A")
    photograph = photograph_of("one", NOW, point="tap", batch="A")
    reading = reading_of(photograph, {"hardness": Value(60.0), "ph": Value(7.0, u=0.1, u_chart=0.2)},
                         chart=charts["A"])
    store.photographs.put(photograph.id, b"one")
    keep(store, photograph, reading)
    with store.viewing() as connection:
        text = connection.scalars(select(RECORD_TYPES[StoredReading].table.c.value_summary)).one()
    assert decode_summary(text) == (
        ValueSummary("hardness", "measured", 60.0, 55.6174, 64.3826, 1.0),
        ValueSummary("ph", "measured", 7.0, 6.56174, 7.43826, 0.2),
    )
    assert not verify_store(store).wrong
    store.close()


def test_ids_of_earlier_versions_are_read_in_current_terms() -> None:
    """Text that contains the same words is not changed: in JSON its quotation marks are escaped."""
    words = 'the "id":"maker\'s word"'
    earlier = msgspec.json.encode([{"id": "maker's chloride"}, {"id": "maker-limit-not-on-file", "words": words}])
    assert msgspec.json.decode(in_current_terms(earlier.decode())) == [
        {"id": "manufacturer's chloride"}, {"id": "manufacturer-limit-not-on-file", "words": words}]
    work = '[{"job":"fitted","note":"the \\"fitted\\": unit"},{"fitted":"2026-01-12"}]'
    assert msgspec.json.decode(in_current_terms(work)) == [
        {"job": "installed", "note": 'the "fitted": unit'}, {"installed": "2026-01-12"}]
