"""Reading or combined readings -> assessment: hand the measured values to `assess`, with this program's version."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import msgspec

from assess import Assessment, AssessmentSetup, Equipment, LimitSet, Sample, load_equipment, load_limits
from assess import assess as assess_sample
from assess.equipment import DEFAULT_EQUIPMENT
from assess.inputs.lines import NoResult, samples_from_lines
from assess.limits import DEFAULT_SET
from assess.treatment.unit import TreatmentUnit, load_units
from shared.errors import InputError
from stripread.reading.combine import CombinedReading
from stripread.reading.result import Reading
from stripread.version import SOFTWARE


def assess(reading: Reading | CombinedReading, *, equipment: Equipment | Path | str = DEFAULT_EQUIPMENT,
           limits: LimitSet | Path | str = DEFAULT_SET,
           units: Mapping[str, TreatmentUnit] | Path | str | None = None) -> Assessment:
    """What the values mean for a machine and a cup, and what to do.

    ``equipment`` and ``limits``: a name that comes with the program, or a TOML file's path; ``units``: the
    treatment units to choose from, or their TOML file, if not the general ones. Raises InputError for a refused
    reading: there is no value to judge.
    """
    return assess_sample(_sample(reading), AssessmentSetup(
        equipment=equipment if isinstance(equipment, Equipment) else load_equipment(equipment),
        limits=limits if isinstance(limits, LimitSet) else load_limits(limits),
        units=load_units(units) if isinstance(units, Path | str | None) else units, software=SOFTWARE))


def _sample(reading: Reading | CombinedReading) -> Sample:
    sample = next(iter(samples_from_lines(msgspec.json.encode(reading).decode(), reading.photo)))
    if isinstance(sample, NoResult):
        raise InputError("there is no value to assess", where=reading.photo, found="a refused reading",
                         remedy=sample.reason)
    return sample
