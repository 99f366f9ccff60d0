"""Values as typed and as read: intervals, assumptions, and what is refused or asked about."""

import json
from collections.abc import Callable
from typing import Any, Literal

import msgspec
import pytest

from assess.inputs.sample import CALCIUM_FRACTION, Sample, completed, with_hardness
from assess.inputs.text import NoResult, sample_from_typed, samples_from_lines, typed_estimate
from assess.warnings import questions
from shared.analytes import ANALYTES
from shared.errors import FileError, InputError, QuantityError
from shared.estimate import Estimate
from stripread.reading.result import PadReading, Provenance, Reading
from tests.loops import some


@pytest.mark.parametrize(("text", "analyte", "value", "half"), [
    ("60 ± 5 mg/L CaCO3", "hardness", 60.0, 5.0),
    ("60 mg/L CaCO3 +/- 5", "hardness", 60.0, 5.0),
    ("60 mg/L CaCO3 ± 10 %", "hardness", 60.0, 6.0),
    # 1 °dH = 17.848 mg/L CaCO3 (DIN 38409-6: 10 mg CaO/L).
    ("3,4 ± 0,5 °dH", "hardness", 60.68, 8.924),
    ("7.2 ± 0.2", "ph", 7.2, 0.2),
    ("pH 7.2 ± 0.2", "ph", 7.2, 0.2),
    # An offset unit: 9 °F are 5 °C.
    ("68 ± 9 °F", "temperature", 20.0, 5.0),
])
def test_a_stated_uncertainty_is_the_95_percent_interval(text: str, analyte: str, value: float, half: float) -> None:
    estimate, stated = typed_estimate(text, analyte)
    assert stated
    assert estimate.value == pytest.approx(value, rel=1e-3)
    assert estimate.high - estimate.value == pytest.approx(half, rel=1e-3)
    assert estimate.u_shared == pytest.approx(half / 1.96, rel=1e-3)


def test_an_uncertainty_that_is_not_stated_is_assumed_and_reported() -> None:
    sample = sample_from_typed({"hardness": "60 mg/L CaCO3", "ph": "7.2 ± 0.1"})
    (note,) = sample.notes
    assert "± 9 mg/L CaCO3 is assumed" in note
    laboratory = sample_from_typed({"hardness": "60 mg/L CaCO3"}, laboratory=True)
    assert "± 3 mg/L CaCO3" in laboratory.notes[0]


def _ion(analyte: str, value: float, half: float, status: Literal["measured", "below", "above"]) -> Estimate:
    low = 0.0 if status == "below" else value - half
    return Estimate(analyte=analyte, value=value, low=low, high=800.0 if status == "above" else value + half,
                    unit=ANALYTES[analyte].unit, status=status)


@pytest.mark.parametrize(("calcium", "magnesium", "status", "low", "high"), [
    ((20.0, 1.0, "measured"), (5.0, 0.0, "below"), "measured", 47.4, 73.1),
    ((2.0, 0.0, "below"), (1.0, 0.0, "below"), "below", 0.0, 9.12),
    ((200.0, 5.0, "above"), (10.0, 1.0, "measured"), "above", 523.0, 2000.0),
])
def test_hardness_from_ions_beyond_their_range_by_hand(calcium: tuple[float, float, Any],
                                                       magnesium: tuple[float, float, Any], status: str, low: float,
                                                       high: float) -> None:
    """2.497 mg/L CaCO3 for each mg/L of calcium, 4.118 for magnesium: the interval is within what is possible."""
    ions = {"calcium": _ion("calcium", *calcium), "magnesium": _ion("magnesium", *magnesium)}
    hardness = with_hardness(ions)["hardness"]
    assert hardness.status == status
    assert low - 0.1 <= hardness.low <= hardness.value <= hardness.high <= high + 0.1
    assert hardness.high - hardness.low >= 0.8 * (high - low)


def test_an_interval_is_limited_to_possible_values() -> None:
    estimate, _ = typed_estimate("0.05 ± 0.1 mg/L", "chlorine")
    assert estimate.low == 0.0


@pytest.mark.parametrize(("texts", "says"), [
    ({"hardness": "-60 mg/L CaCO3"}, "impossible"),
    ({"hardness": "60000 mg/L CaCO3"}, "impossible"),
    ({"hardness": "60"}, "has no unit"),
    ({"hardness": "60 mg/L"}, "does not state the substance"),
    ({"hardness": "soft"}, "is not a number"),
    ({"hardness": "± 5 mg/L CaCO3"}, "is not a number"),
    ({"ph": "15"}, "impossible"),
    ({"chloride": "20 mmol/kg"}, "unit"),
])
def test_absurd_values_are_refused_with_their_option(texts: dict[str, str], says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        sample_from_typed(texts)
    assert says in caught.value.message
    assert f"--{next(iter(texts))}" in caught.value.message


@pytest.mark.parametrize("text", ["1.5", "-0.1", "half", "150 %"])
def test_a_fraction_is_a_fraction(text: str) -> None:
    with pytest.raises(QuantityError, match="--calcium-fraction"):
        sample_from_typed({"hardness": "60 mg/L CaCO3"}, calcium_fraction=text)


def test_what_is_missing_is_assumed_openly_and_widely() -> None:
    inputs = completed(sample_from_typed({"hardness": "60 mg/L CaCO3"}))
    assumed = {a.estimate.analyte: a for a in inputs.assumptions}
    assert inputs.measured == {"hardness"}
    assert {"alkalinity", "ph", "chloride", "chlorine", "sulfate", "temperature", CALCIUM_FRACTION} == assumed.keys()
    # Common practice, no source: 0.7 to 0.8 of the hardness is calcium; the assumption is wider.
    fraction = assumed[CALCIUM_FRACTION].estimate
    assert fraction.low < 0.7
    assert fraction.high > 0.8
    assert all(a.why for a in some(inputs.assumptions))


def test_calcium_and_magnesium_make_the_hardness() -> None:
    """Standard Methods 2340 B: hardness = 2.497 Ca + 4.118 Mg."""
    inputs = completed(sample_from_typed({"calcium": "40 ± 1 mg/L", "magnesium": "10 ± 1 mg/L"}))
    assert inputs.estimates["hardness"].value == pytest.approx(2.497 * 40 + 4.118 * 10, rel=1e-3)
    assert inputs.estimates[CALCIUM_FRACTION].value == pytest.approx(99.9 / 141.1, abs=0.002)
    by_magnesium = completed(sample_from_typed({"hardness": "141.1 ± 1 mg/L CaCO3", "magnesium": "10 ± 1 mg/L"}))
    assert by_magnesium.estimates[CALCIUM_FRACTION].value == pytest.approx(99.9 / 141.1, abs=0.002)


def test_more_calcium_than_hardness_is_refused() -> None:
    with pytest.raises(InputError, match='"mg/L Ca" is not "mg/L CaCO3"'):
        completed(sample_from_typed({"hardness": "60 ± 2 mg/L CaCO3", "calcium": "60 ± 2 mg/L"}))


def test_input_without_values_is_rejected() -> None:
    with pytest.raises(InputError, match="no value to assess"):
        completed(sample_from_typed({"sodium": "20 mg/L"}))


def test_a_value_in_the_reading_and_typed_is_refused() -> None:
    sample = sample_from_typed({"hardness": "60 mg/L CaCO3"})
    with pytest.raises(InputError, match="given twice"):
        sample.joined(sample_from_typed({"hardness": "70 mg/L CaCO3"}))


def asked(make: Callable[..., Any], **texts: str | None) -> tuple[str, ...]:
    tap = make(**texts)
    return questions(tap.sample, tap.inputs, tap.drawn)


def test_degrees_typed_as_mg_per_litre_are_asked_about(tap: Callable[..., Any]) -> None:
    (question,) = asked(tap, hardness="8 mg/L CaCO3", alkalinity="120 mg/L CaCO3", calcium=None)
    assert "8 °dH is 143 mg/L CaCO3" in question
    by_conductivity = asked(tap, hardness="8 mg/L CaCO3", alkalinity="7 mg/L CaCO3", calcium=None,
                            conductivity="330 µS/cm")
    assert len(by_conductivity) == 2


@pytest.mark.parametrize("texts", [
    {},
    {"hardness": "143 mg/L CaCO3", "alkalinity": "120 mg/L CaCO3"},
    {"hardness": "8 mg/L CaCO3", "alkalinity": "7 mg/L CaCO3", "conductivity": "60 µS/cm", "calcium": None},
])
def test_a_believable_water_is_not_asked_about(tap: Callable[..., Any], texts: dict[str, str | None]) -> None:
    assert asked(tap, **texts) == ()


def test_hardness_without_anions_is_asked_about(tap: Callable[..., Any]) -> None:
    (question,) = asked(tap, hardness="420 ± 10 mg/L CaCO3", alkalinity="60 ± 5 mg/L CaCO3", sulfate=None)
    assert "Is one of the three values misread?" in question


def test_a_charge_imbalance_of_a_complete_analysis_is_reported(tap: Callable[..., Any]) -> None:
    """Standard Methods 1030 E: cations and anions agree within a few percent."""
    (question,) = asked(tap, hardness="60 ± 2 mg/L CaCO3", alkalinity="90 ± 3 mg/L CaCO3", sodium="4 ± 1 mg/L")
    assert "anions exceed by" in question


def test_a_water_no_charge_allows_is_refused(tap: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match="cations exceed by 6"):
        asked(tap, hardness="200 ± 4 mg/L CaCO3", alkalinity="20 ± 2 mg/L CaCO3", chloride="5 ± 1 mg/L")


def pad(analyte: str, value: float | None, **more: Any) -> PadReading:
    return PadReading(**{"analyte": analyte, "status": "no-result" if value is None else "measured", "value": value,
                         "low": None if value is None else value * 0.9, "high": None if value is None else value * 1.1,
                         "unit": "mg/L CaCO3", "lab": None, "lab_covariance": None, "px": (0.0, 0.0),
                         "outline_px": ((0.0, 0.0),) * 4} | more)


def line(*pads: PadReading, flags: tuple[str, ...] = (), refused: str = "") -> str:
    provenance = Provenance(software="s", photo_sha256="p", pixels_sha256="x", chart="c", batch="b", profile="n")
    reading = Reading(photo="a.jpg", status="no-result" if refused else "measured", reason=refused, flags=flags,
                      provenance=provenance, pads=pads)
    return msgspec.json.encode(reading).decode()


def test_the_reader_s_own_lines_are_understood() -> None:
    text = line(pad("hardness", 60.0), pad("alkalinity", None, flags=("pad-covered",), reason="A thumb."),
                flags=("chart-draft",))
    (sample,) = samples_from_lines(text, "here")
    assert isinstance(sample, Sample)
    assert [e.analyte for e in sample.estimates] == ["hardness"]
    assert "No value of total alkalinity: A thumb." in sample.notes
    assert any("has not been released" in note for note in sample.notes)


def test_a_value_outside_the_validated_range_counts_as_unread() -> None:
    (sample,) = samples_from_lines(line(pad("ph", 7.0, unit="pH", flags=("outside-validity",))), "here")
    assert isinstance(sample, Sample)
    assert sample.get("ph") is None
    assert any("outside its validated range" in note for note in sample.notes)


def test_a_photograph_without_result_is_not_assessed() -> None:
    refused = line(refused="The reference card was not found.")
    assert list(samples_from_lines(refused, "here")) == [NoResult(name="a.jpg",
                                                                 reason="The reference card was not found.")]


@pytest.mark.parametrize(("text", "says"), [
    ("", "contains no readings"),
    ("not json", "here, line 1"),
    ('\n{"photo": "a.jpg"}', "here, line 2"),
    (json.dumps({"photo": "a", "status": "measured", "pads": [{"analyte": "hardness"}]}), "pads[0]"),
    (line(pad("hardness", 3.4, unit="°dH")), "total hardness must be in 'mg/L CaCO3', found '°dH'"),
    (line(pad("hardness", 60.0, low=70.0)), "an impossible total hardness: 60 (70 to 66)"),
    (line(pad("ph", 15.0, unit="pH")), "an impossible pH"),
])
def test_lines_that_are_no_readings_are_refused(text: str, says: str) -> None:
    with pytest.raises(FileError) as caught:
        list(samples_from_lines(text, "here"))
    assert says in caught.value.message


@pytest.mark.parametrize(("text", "analyte", "low", "high"), [
    ("70 to 140 mg/L CaCO3", "hardness", 70.0, 140.0), ("4 – 8 °dH", "hardness", 71.39, 142.78),
    ("7.2 to 7.6", "ph", 7.2, 7.6),
    ("3,5 to 5,5 °dH", "alkalinity", 62.47, 98.16)])
def test_a_range_is_an_interval(text: str, analyte: str, low: float, high: float) -> None:
    estimate, stated = typed_estimate(text, analyte)
    assert stated
    assert (estimate.low, estimate.high) == pytest.approx((low, high), abs=0.01)
    assert estimate.value == pytest.approx((low + high) / 2, abs=0.01)


def test_a_range_from_high_to_low_is_refused() -> None:
    with pytest.raises(QuantityError, match="from high to low"):
        typed_estimate("140 to 70 mg/L CaCO3", "hardness")
