"""Reading or combined readings -> assessment: hand the measured values to `assess`, with this program's version."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import msgspec

from assess import Assessment, AssessmentSetup, Equipment, LimitSet, Sample, load_equipment, load_limits
from assess import assess as assess_sample
from assess.diagnosis.result import NotCompared, Upstream
from assess.equipment import DEFAULT_EQUIPMENT
from assess.inputs.text import NoResult, to_sample
from assess.limits import DEFAULT_SET
from assess.treatment.unit import TreatmentUnit, load_units
from shared.errors import InputError
from stripread.reading.combine import CombinedReading
from stripread.reading.result import Reading
from stripread.version import SOFTWARE


def assess(reading: Reading | CombinedReading, *, equipment: Equipment | Path | str = DEFAULT_EQUIPMENT,
           limits: LimitSet | Path | str = DEFAULT_SET,
           units: Mapping[str, TreatmentUnit] | Path | str | None = None,
           upstream: Upstream | NotCompared | None = None) -> Assessment:
    """Return what the values mean for a machine and a cup, and what to do.

    ``equipment`` and ``limits``: a name that comes with the program, or the path of a TOML file; ``units``: the
    treatment units to choose from, or their TOML file [default: the general ones]. ``upstream``: unit and feed water of
    a treated sample, or why it has none. Raises InputError for a reading without result.
    """
    if not isinstance(reading, Reading | CombinedReading):
        raise TypeError(f"assess takes a Reading or a CombinedReading, found {type(reading).__name__}; for typed "
                        "values use the command `stripread assess --hardness ...`")
    sample = sample_of(reading)
    if isinstance(upstream, NotCompared):
        sample = msgspec.structs.replace(sample, notes=(*sample.notes, upstream.why))
    return assess_sample(sample, AssessmentSetup(
        equipment=equipment if isinstance(equipment, Equipment) else load_equipment(equipment),
        limits=limits if isinstance(limits, LimitSet) else load_limits(limits),
        units=load_units(units) if isinstance(units, Path | str | None) else units, software=SOFTWARE),
        upstream=upstream if isinstance(upstream, Upstream) else None)


def sample_of(reading: Reading | CombinedReading) -> Sample:
    """Return the values of a reading as a sample. Raises InputError for a reading without result."""
    sample = to_sample(reading)
    if isinstance(sample, NoResult):
        raise InputError("there is no value to assess", where=reading.photo, found="a reading without result",
                         remedy=sample.reason)
    return sample
