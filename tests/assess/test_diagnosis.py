"""Treated water made from a known state of the unit: that state must be found, or reported as not distinguishable."""

import numpy as np
import pytest

from assess.diagnosis.diagnosis import diagnose
from assess.diagnosis.result import UnitDiagnosis, UnitUsage, Upstream
from assess.equipment import InstalledTreatment
from assess.inputs.sample import Sample
from assess.inputs.text import sample_from_typed
from assess.treatment.options import treatment_of
from assess.treatment.unit import load_units
from shared.errors import InputError

UNITS = load_units()
TAP = {"hardness": 200.0, "alkalinity": 170.0, "chloride": 30.0}
UNCERTAINTY = {"hardness": 6.0, "alkalinity": 5.0, "chloride": 3.0, "ph": 0.15, "chlorine": 0.05}
UNIT_OF = {"hardness": "mg/L CaCO3", "alkalinity": "mg/L CaCO3", "chloride": "mg/L", "ph": "", "chlorine": "mg/L"}


def sample(**values: float) -> Sample:
    return sample_from_typed({a: f"{v} ± {UNCERTAINTY[a]} {UNIT_OF[a]}" for a, v in values.items()})


#: By hand, mass balance: the exchanger takes 90 % of the alkalinity (170) of what passes the resin, in eq of
#: hardness alike; the membrane rejects 95 % of every ion.
def exchanged(bypass: float, lost: float = 0.0) -> Sample:
    taken = 0.9 * (1 - lost) * 170 * (1 - bypass)
    return sample(hardness=200 - taken, alkalinity=170 - taken, chloride=30)


def blended(tap_share: float) -> Sample:
    left = tap_share + 0.05 * (1 - tap_share)
    return sample(hardness=200 * left, alkalinity=170 * left, chloride=30 * left)


def found(unit: str, setting: float | None, treated: Sample, *, tap: Sample | None = None, used: float | None = 0.3,
          usual: Sample | None = None) -> UnitDiagnosis:
    usage = None if used is None else UnitUsage(used=used, u=0.1 * used)
    return diagnose(treatment_of(unit, UNITS[unit]), Upstream(
        installed=InstalledTreatment(unit=unit, setting=setting), feed=tap or sample(**TAP), usage=usage,
        usual=usual.estimates if usual else ()), treated, np.random.default_rng(7))


@pytest.mark.parametrize(("unit", "setting", "treated", "used", "state"), [
    ("weak-acid-exchange", 0.3, exchanged(0.3), 0.3, "working"),
    ("weak-acid-exchange", 0.3, exchanged(0.6), 0.1, "setting-off"),
    ("weak-acid-exchange", 0.3, exchanged(0.0), 1.0, "setting-off"),
    ("weak-acid-exchange", 0.1, exchanged(0.1, lost=0.9), 1.2, "exhausted"),
    ("weak-acid-exchange", 0.3, exchanged(0.3, lost=1.0), 0.1, "swapped"),
    ("weak-acid-exchange", 0.3, sample(hardness=100, alkalinity=170, chloride=30), 0.3, "not-explained"),
])
def test_the_state_of_the_unit_is_found(unit: str, setting: float, treated: Sample, used: float | None, state: str
                                        ) -> None:
    diagnosis = found(unit, setting, treated, used=used)
    assert diagnosis.state == state, diagnosis.probabilities
    assert bool(diagnosis.action) == (state != "working")


def test_that_few_heads_are_wrong_does_not_clear_a_unit() -> None:
    """A blend of 30 % would give nearly this water: only the frequency of wrong settings speaks against it."""
    diagnosis = found("osmosis-blend", 0.2, blended(0.17), used=None)
    assert diagnosis.probabilities.working > 0.95
    assert (diagnosis.state, diagnosis.action) == ("indistinguishable", "")
    assert "a fault that gives the same water cannot be excluded" in diagnosis.sentence


def test_chlorine_downstream_of_carbon_names_carbon_and_sample_where_both_are_possible() -> None:
    """Carbon changes nothing but chlorine: water with all of it may as well be feed water."""
    tap = sample(hardness=70, alkalinity=60, chlorine=0.5)
    diagnosis = found("carbon-filter", None, tap, tap=tap, used=None)
    assert diagnosis.state == "indistinguishable"
    assert diagnosis.sentence.startswith("Cannot be distinguished: ")
    assert "exhausted carbon (" in diagnosis.sentence
    assert "unless the samples are wrong, the carbon is exhausted" in diagnosis.sentence
    assert diagnosis.action.endswith("again on the same day; if chlorine passes again, change the carbon")


def test_exhaustion_and_setting_are_not_distinguished_without_the_usage() -> None:
    """30 % bypass with half of the removal lost treats like 65 % bypass."""
    diagnosis = found("weak-acid-exchange", 0.3, exchanged(0.3, lost=0.5), used=None)
    assert diagnosis.state == "indistinguishable"
    assert {"setting_off", "exhausted"} <= set(diagnosis.possible)
    assert diagnosis.sentence.startswith("Cannot be distinguished: ")
    head, then = diagnosis.action.split(", then ")
    assert head.startswith("check the head")
    assert then == "change the cartridge"


@pytest.mark.parametrize("bypass", [0.0, 0.42, 0.6])
def test_the_setting_it_acts_like_is_found(bypass: float) -> None:
    acts_like = found("weak-acid-exchange", 0.2, exchanged(bypass), used=0.1).acts_like
    assert acts_like is not None
    assert acts_like[1] - 0.02 <= bypass <= acts_like[2]
    assert acts_like[0] == pytest.approx(bypass, abs=0.05)


def test_exchanged_samples_and_two_treated_samples_are_recognised() -> None:
    treated = exchanged(0.1)
    assert found("weak-acid-exchange", 0.1, sample(**TAP), tap=treated).state == "swapped"
    assert found("weak-acid-exchange", 0.1, treated, tap=treated, usual=sample(**TAP)).state == "swapped"


def test_chlorine_downstream_names_the_carbon() -> None:
    tap = sample(**TAP, chlorine=0.5)
    wet = sample_from_typed({"hardness": "93 ± 6 mg/L CaCO3", "alkalinity": "63 ± 5 mg/L CaCO3",
                             "chlorine": "0.45 ± 0.05 mg/L"})
    broken = found("weak-acid-exchange", 0.3, wet, tap=tap)
    assert (broken.state, broken.action[:17]) == ("carbon-exhausted", "change the carbon")
    assert "the carbon is exhausted" in broken.sentence
    only = found("carbon-filter", None, sample_from_typed({"chlorine": "0.9 ± 0.05 mg/L"}), tap=sample(chlorine=1.0))
    assert (only.state, only.action[:20]) == ("carbon-exhausted", "change the cartridge")


def test_loss_of_co2_on_standing_explains_the_ph() -> None:
    """A weak-acid exchanger turns alkalinity into CO2: pH 6 at the outlet, about 8 after standing in air."""
    tap, at_outlet = sample(**TAP, ph=7.5), exchanged(0.3).estimates

    def with_ph(ph: float) -> Sample:
        return Sample(name="treated", origin="typed", estimates=(*at_outlet, *sample(ph=ph).estimates))

    fresh, stood = (found("weak-acid-exchange", 0.3, with_ph(ph), tap=tap) for ph in (6.15, 7.6))
    assert (fresh.state, stood.state) == ("working", "working")
    assert "CO2" not in fresh.sentence
    assert "has lost CO2 on standing" in stood.sentence


def test_nothing_to_compare_is_an_error() -> None:
    with pytest.raises(InputError, match="no analyte in common"):
        found("weak-acid-exchange", 0.3, sample_from_typed({"sodium": "20 mg/L"}))
