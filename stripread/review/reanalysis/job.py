"""Inputs of a reanalysis, all taken from the records."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from calibration.chart import Chart
from shared.flags import FLAGS
from shared.profile import PrintProfile, nominal, profile_of
from stripread.intake.process import BatchContext, ReadJob, ReadResult, job_for, read_and_judge
from stripread.intake.qualification import qualified_models
from stripread.intake.terms import own_terms
from stripread.reading.read import ReadError, ReadingSetup
from stripread.reading.result import ManualLocation, Provenance
from stripread.store import chart_selection
from stripread.store.models.evidence import Photograph, StoredAssessment, StoredReading
from stripread.store.models.materials import OwnTerms, PrintRun, StoredChart
from stripread.store.reading_status import current_assessment
from stripread.store.store import Store
from stripread.version import SOFTWARE, libraries


@dataclass(frozen=True, slots=True)
class MaterialsCache:
    """All charts and profiles by their hashes, and the store's own terms; sent once to each worker process."""

    charts: dict[str, Chart]
    profiles: dict[str, PrintProfile]
    own: OwnTerms


@dataclass(frozen=True, slots=True)
class ReanalysisJob:
    """One reading to evaluate again: chart and profiles by hash, manual location, qualified ``phones``."""

    chart: str
    profiles: tuple[str, ...]
    manual: ManualLocation | None
    phones: frozenset[str | None]
    judge: bool
    job: ReadJob


@dataclass(frozen=True, slots=True)
class SkippedReading:
    """A reading that is skipped, and why."""

    why: str


#: Why readings are skipped.
_PURGED: Final = SkippedReading("photograph purged")
_UP_TO_DATE: Final = SkippedReading("already evaluated on this chart by this version")


def reanalyse(materials: MaterialsCache, job: ReanalysisJob | SkippedReading) -> ReadResult:
    """Evaluate and assess a photograph; may run in another process."""
    if isinstance(job, SkippedReading):
        return ReadResult(why=job.why)
    on = ReadingSetup(materials.charts[job.chart], tuple(materials.profiles[i] for i in job.profiles), job.manual)
    return read_and_judge(BatchContext(on, job.phones, job.judge, materials.own), job.job)


@dataclass(frozen=True, slots=True)
class OriginalReading:
    """A stored reading with its photograph and its current assessment, if it has one."""

    reading: StoredReading
    photograph: Photograph
    assessment: StoredAssessment | None

    @property
    def provenance(self) -> Provenance:
        """Provenance of the reading."""
        return self.reading.reading.provenance


def load_original(store: Store, reading: str) -> OriginalReading:
    """Return a reading with its photograph and assessment. Raises RecordsError if there is none."""
    stored = store.get(StoredReading, reading)
    return OriginalReading(stored, store.get(Photograph, stored.photograph), current_assessment(store, reading))


class ReanalysisPlanner:
    """Plans the reanalysis of stored readings."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.runs = sorted(store.find(PrintRun), key=lambda run: run.at)
        self.materials = MaterialsCache(
            charts={chart.id: chart.chart for chart in store.find(StoredChart)},
            profiles={run.id: profile_of(run.text, f"print run {run.run}") for run in self.runs},
            own=own_terms(store))
        self.phones = qualified_models(store, store.clock())

    def as_made(self, old: OriginalReading) -> ReanalysisJob | SkippedReading:
        """Return the job with the original chart, profiles and data of the photograph."""
        if old.photograph.removed is not None:
            return _PURGED
        made, flags = old.provenance, old.reading.reading.flags
        chart = self.materials.charts[made.chart]
        used, missing = self._profiles_then(old, chart)
        job = self._job(old, chart)
        model = made.camera or job.model
        state = tuple(flag for flag in flags if FLAGS[flag].scope == "state" and flag != "phone-new")
        job = replace(job, check=False, state=state, after_dip_s=made.after_dip_s, file=missing or job.file)
        known = frozenset[str | None]() if "phone-new" in flags else frozenset({model})
        return ReanalysisJob(made.chart, used, made.placed, known, _judged(old), job)

    def anew(self, old: OriginalReading, chart: Chart) -> ReanalysisJob | SkippedReading:
        """Return the job on a chart, with the latest profiles and the present data of the photograph."""
        if old.photograph.removed is not None:
            return _PURGED
        if self._up_to_date(old, chart):
            return _UP_TO_DATE
        profiles = tuple(profile.id for profile in chart_selection.profiles(self.store, chart.card))
        job = self._job(old, chart)
        after = old.provenance.after_dip_s if job.after_dip_s is None else job.after_dip_s
        return ReanalysisJob(chart.id, profiles, old.provenance.placed, self.phones, _judged(old),
                     replace(job, after_dip_s=after))

    def _up_to_date(self, old: OriginalReading, chart: Chart) -> bool:
        """Return whether a reading was made on this chart with the present profile, program and libraries."""
        made = old.provenance
        present = {profile.id for profile in chart_selection.profiles(self.store, chart.card)} | {
            "",
            nominal(chart.card).id,
        }
        return (made.chart, made.software, made.libraries) == (chart.id, SOFTWARE, libraries()) and (
            made.profile in present)

    def _job(self, old: OriginalReading, chart: Chart) -> ReadJob:
        job = job_for(self.store, chart, old.photograph)
        return job if old.assessment is None else replace(job, equipment=old.assessment.assessment.equipment)

    def _profiles_then(self, old: OriginalReading, chart: Chart) -> tuple[tuple[str, ...], ReadError | None]:
        """Return the ids of the profiles that were used then, or an error if one is missing."""
        made = old.provenance
        then: Callable[[PrintRun], bool] = lambda run: run.at <= old.reading.at  # noqa: E731
        newest = {run.run: run.id for run in filter(then, self.runs)} | {
            run.run: run.id for run in self.runs if run.id == made.profile}
        used = tuple(newest[run] for run in made.runs if run in newest)
        if len(used) < len(made.runs) or made.profile not in {*used, "", nominal(chart.card).id}:
            return (), ReadError(f"{old.photograph.name}: a card profile used for the reading is not in the store")
        return used, None


def _judged(old: OriginalReading) -> bool:
    """Return whether to assess: if the original has an assessment, or is a sample without a result."""
    return old.assessment is not None or (old.reading.status == "no-result" and old.photograph.standard is None)
