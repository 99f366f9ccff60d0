"""The work in three calls for Python: `calibrate`, `read_photo`, `assess`.

Files may be given by their paths or as what was loaded from them.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import msgspec

from assess import Assessment, Equipment, LimitSet, Sample, Terms, load_equipment, load_limits
from assess import assess as assess_sample
from assess.inputs.lines import Refused, samples_from_lines
from assess.limits import DEFAULT_SET
from assess.treatment.unit import TreatmentUnit, load_units
from calibration.chart import Chart, load_chart
from shared.card import CardLayout, default_card
from shared.errors import InputError
from shared.profile import PrintProfile, read_profile
from shared.strip import StripType, default_strip
from stripread.reading import read
from stripread.reading.calibrate import Material, calibrate_material
from stripread.reading.combine import Combined
from stripread.reading.placing import NOT_PLACED
from stripread.reading.result import Placed, Reading
from stripread.version import SOFTWARE

#: The machine a water is judged for where none is named: a template that comes with the program.
DEFAULT_EQUIPMENT = "two-boiler-espresso"


def calibrate(standards: Path | str, profile: PrintProfile | Path | str, *, batch: str,
              card: CardLayout | None = None, strip: StripType | None = None) -> Chart:
    """The chart of a strip batch from a standards table (CSV) and the photographs it names.

    Raises InputError for a table, photograph or profile that cannot serve. Photographs in which no strip can
    be read are left out; the chart's ``conditions.excluded`` says which and why.
    """
    return calibrate_material(Material(
        card=card or default_card(), strip=strip or default_strip(), profile=_profile(profile),
        table=Path(standards), batch=batch)).chart


def read_photo(path: Path | str, chart: Chart | Path | str,
               profile: PrintProfile | Path | str | None = None, *, hand: Placed = NOT_PLACED) -> Reading:
    """The values of one photograph on a batch's chart, with 95 % intervals, or a refusal with its reason.

    ``profile``: measured colours of the card's print run; without it nominal ones and wider intervals. ``hand``:
    corners of the card or pads that a person placed, where the program does not find them.
    Raises InputError for a file that is no photograph, or files that do not belong together.
    """
    loaded = chart if isinstance(chart, Chart) else load_chart(Path(chart))
    if profile is None:
        return read.read_photo(path, loaded, hand=hand)
    measured = _profile(profile)
    measured.check_against(loaded.card)
    return read.read_photo(path, loaded, [measured], hand)


def assess(reading: Reading | Combined, *, equipment: Equipment | Path | str = DEFAULT_EQUIPMENT,
           limits: LimitSet | Path | str = DEFAULT_SET,
           units: Mapping[str, TreatmentUnit] | Path | str | None = None) -> Assessment:
    """What the values mean for a machine and a cup, and what to do.

    ``equipment`` and ``limits``: a name that comes with the program, or a TOML file's path; ``units``: the
    treatment units to choose from, or their TOML file, if not the general ones. Raises InputError for a refused
    reading: there is no value to judge.
    """
    return assess_sample(_sample(reading), Terms(
        equipment=equipment if isinstance(equipment, Equipment) else load_equipment(equipment),
        limits=limits if isinstance(limits, LimitSet) else load_limits(limits),
        units=load_units(units) if isinstance(units, Path | str | None) else units, software=SOFTWARE))


def _sample(reading: Reading | Combined) -> Sample:
    sample = next(iter(samples_from_lines(msgspec.json.encode(reading).decode(), reading.photo)))
    if isinstance(sample, Refused):
        raise InputError("there is no value to assess", where=reading.photo, found="a refused reading",
                         remedy=sample.reason)
    return sample


def _profile(profile: PrintProfile | Path | str) -> PrintProfile:
    return profile if isinstance(profile, PrintProfile) else read_profile(Path(profile))
