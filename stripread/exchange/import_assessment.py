"""Assessment after an import: samples of laboratories, and everything at sites whose equipment changed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from stripread.intake.assessment_changes import AssessmentChange, assessment_changes
from stripread.intake.reassess import reassess, reassess_sites
from stripread.intake.sample_assessment import assess_samples
from stripread.store.models.evidence import LabResult, SampleAssessment, StoredAssessment
from stripread.store.models.record import Record
from stripread.store.models.sites import Machine, SamplingPoint, Service, Unit
from stripread.store.store import Store

#: Reason of the new assessments, for the audit trail.
_WHY = "machines, units, sampling points, limits or results changed"


def assess_imported(store: Store, by: str, records: Iterable[Record]) -> list[AssessmentChange]:
    """Assess again what imported records affect; return the changed assessments. Equal inputs are not computed."""
    sites = dict.fromkeys(site for record in records for site in _sites(store, record))
    return assessment_changes(store, _assessed(store, by, sites))


def assess_all(store: Store, by: str, why: str) -> list[AssessmentChange]:
    """Assess everything again after a change of limits or catalogue; return the changed assessments."""
    made: list[StoredAssessment | SampleAssessment] = [*reassess(store, by, why), *assess_samples(store, by, why)]
    return assessment_changes(store, made)


def _assessed(store: Store, by: str, sites: Iterable[str]) -> Iterator[StoredAssessment | SampleAssessment]:
    for site in sites:
        yield from reassess_sites(store, by, _WHY, [site])
        yield from assess_samples(store, by, _WHY, [site])


def _sites(store: Store, record: Record) -> Iterator[str]:
    """Return the sites whose waters a record affects."""
    if isinstance(record, Machine | Unit | SamplingPoint):
        yield record.site
    elif isinstance(record, Service):
        yield store.get(Unit, record.unit).site
    elif isinstance(record, LabResult):
        yield store.get(SamplingPoint, record.point).site
