"""The whole assessment: repeatable, complete, honest about what it leaves open, and its plan."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Literal

import msgspec
import numpy as np
import pytest

from assess import Assessment, AssessmentSetup, DecisionRule, Equipment, Sample, assess, load_limits, sample_from_typed
from assess.draws import ROOM_PCO2, SpeciationCache
from assess.equipment import Boiler, Drain, InstalledTreatment, ManufacturerLimit
from assess.treated_feeds import at_settings, is_treated, row_of, treated_feeds
from assess.treatment.kinds import NONE, SoftenerBypass
from assess.treatment.treatment import ScaleCredit
from assess.treatment.unit import load_units
from shared.errors import InputError
from shared.estimate import Estimate
from shared.water import Vector, Water, conductivity, open_to_air, speciate
from tests.loops import some

UNITS = load_units()
#: A short catalogue keeps the tests short.
SHORT = {key: UNITS[key] for key in ("weak-acid-exchange", "osmosis-blend")}
HARD = {"hardness": "200 ± 6 mg/L CaCO3", "alkalinity": "170 ± 5 mg/L CaCO3", "calcium": "60 ± 1 mg/L"}


@pytest.fixture(scope="module")
def terms(espresso: Equipment) -> AssessmentSetup:
    return AssessmentSetup(equipment=espresso, limits=load_limits(), units=SHORT, software="test")


@pytest.fixture(scope="module")
def of_hard_water(tap: Callable[..., Any], terms: AssessmentSetup) -> Assessment:
    return assess(tap(**HARD).sample, terms)


def test_the_same_inputs_give_the_same_numbers(tap: Callable[..., Any], terms: AssessmentSetup,
                                               of_hard_water: Assessment) -> None:
    assert assess(tap(**HARD).sample, terms) == of_hard_water


def test_another_rule_gives_another_digest(
    tap: Callable[..., Any], terms: AssessmentSetup, of_hard_water: Assessment
) -> None:
    stricter = assess(tap(**HARD).sample, replace(terms, rule=DecisionRule(0.99)))
    assert stricter.provenance.inputs_sha256 != of_hard_water.provenance.inputs_sha256
    assert "99 %" in stricter.provenance.rule


def test_texts_do_not_move_the_numbers(tap: Callable[..., Any], terms: AssessmentSetup, of_hard_water: Assessment
                                       ) -> None:
    sample = msgspec.structs.replace(tap(**HARD).sample, name="Another name", notes=("Taken in the morning.",))
    reworded = msgspec.structs.replace(terms.limits, about="The same limits in other words.")
    other = assess(sample, replace(terms, limits=reworded))
    assert other.judgements == of_hard_water.judgements
    assert [o.loss for o in other.options] == [o.loss for o in of_hard_water.options]
    harder = assess(tap(**HARD | {"hardness": "201 ± 6 mg/L CaCO3"}).sample, terms)
    assert harder.judgements != of_hard_water.judgements


def test_json_is_unchanged_by_a_round_trip(of_hard_water: Assessment) -> None:
    text = msgspec.json.encode(of_hard_water)
    read = msgspec.json.decode(text, type=Assessment)
    assert read == of_hard_water
    assert msgspec.json.encode(read) == text


def test_no_single_number_represents_all(of_hard_water: Assessment) -> None:
    """Verdicts are the worst of each severity; a good machine does not hide scale."""
    assert of_hard_water.verdicts == {
        "machine": "within-limits", "scale": "out-of-limits", "leaching": "within-limits", "cup": "out-of-limits"}
    assert of_hard_water.any("out-of-limits")
    assert not {"score", "total", "index"} & set(Assessment.__struct_fields__)


def test_both_ways_of_heating_are_there(of_hard_water: Assessment) -> None:
    """Where carbon dioxide may leave, a water with more of it than air saturates more (Ca and alkalinity held)."""
    curve = of_hard_water.saturation
    assert len(curve.closed) == len(curve.open_to_air) == len(curve.temperatures_c)
    assert all(o.value > c.value for o, c in some(zip(curve.open_to_air, curve.closed, strict=True)))
    assert [c.value for c in curve.closed] == sorted(c.value for c in curve.closed)


def test_the_cautions_are_there(of_hard_water: Assessment) -> None:
    printed = " ".join(of_hard_water.cautions)
    for words in ("cool", "pressure vessels", "Descaling acids", "free chlorine only", "Local codes", "safe to drink"):
        assert words in printed
    assert any("backflow" in c for c in of_hard_water.plan.option.cautions)


def test_the_plan_for_hard_water(of_hard_water: Assessment) -> None:
    plan = of_hard_water.plan
    assert plan.option == of_hard_water.options[0]
    assert plan.next_step.startswith("Install ")
    assert plan.why_not == "A higher level of intervention would give no noticeable improvement."
    assert plan.first == ()


def test_the_plan_for_water_that_fits(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    plan = assess(tap().sample, terms).plan
    assert (plan.next_step, plan.option.kind) == ("The tap water needs only a particle filter.", "none")
    assert plan.option.outlet.hardness.low < 60 < plan.option.outlet.hardness.high


def test_the_plan_for_unread_values(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    plan = assess(tap(chlorine=None).sample, terms).plan
    assert plan.next_step.startswith("The measured values are acceptable. Measure free chlorine before")
    assert plan.first == ("Measure free chlorine.",)


def test_the_plan_for_a_value_at_the_limit(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    plan = assess(tap(hardness="88 ± 8 mg/L CaCO3").sample, terms).plan
    assert plan.next_step.startswith("Measure again before installing anything. Nothing is out of limits;")
    assert plan.option.kind == "none"
    assert any(step.startswith("Total hardness: measure hardness (titration or laboratory)") for step in plan.first)


def test_no_option_in_the_list_suffices(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    """Ion exchange leaves chloride where it is (conservation of charge), so it cannot lower it."""
    said = ManufacturerLimit(measure="chloride", unit="mg/L Cl", at_most=30, source="handbook")
    strict = msgspec.structs.replace(terms.equipment, maker_limits=(said,))
    only = replace(terms, equipment=strict, units={"weak-acid-exchange": UNITS["weak-acid-exchange"]})
    plan = assess(tap(chloride="180 ± 5 mg/L").sample, only).plan
    assert plan.next_step.startswith("No option in the list brings chloride (manufacturer's limit) and")


SAMPLES: dict[str, dict[str, str | None]] = {
    "ideal": {}, "hard": {**HARD}, "ph low": {"ph": "6.4 ± 0.05"}, "ph high": {"ph": "8.8 ± 0.1"},
    "soft": {"hardness": "15 ± 2 mg/L CaCO3", "alkalinity": "12 ± 2 mg/L CaCO3", "calcium": None},
    "salty": {"chloride": "260 ± 10 mg/L", "sodium": "160 ± 5 mg/L"}, "chlorinated": {"chlorine": "0.9 ± 0.1 mg/L"},
    "at the limit": {"hardness": "88 ± 8 mg/L CaCO3"}, "not measured": {"chlorine": None, "chloride": None},
}


@pytest.mark.parametrize("downstream", [None, "weak-acid exchange"])
@pytest.mark.parametrize("texts", SAMPLES.values(), ids=SAMPLES)
def test_sentences_agree_with_verdicts(tap: Callable[..., Any], terms: AssessmentSetup, texts: dict[str, str | None],
                                       downstream: str | None) -> None:
    machine = msgspec.structs.replace(terms.equipment, downstream_of=downstream)
    found = assess(tap(**texts).sample, replace(terms, equipment=machine))
    step = found.plan.next_step.lower()
    if found.any("out-of-limits"):
        for claim in ("nothing is out", "needs only", "is fine", "is within limits", "no change is needed"):
            assert claim not in step
    elif found.any("inconclusive"):
        for claim in ("needs only", "is within limits", "no change is needed", "water is out"):
            assert claim not in step
    else:
        assert "out of limits" not in step
        assert any(claim in step for claim in ("needs only", "is within limits"))
    if downstream:
        assert f"downstream of {downstream}" in step
        assert not any(word in step for word in ("fit ", "install", "particle filter", "reverse osmosis"))


def installed(terms: AssessmentSetup, setting: float | None, unit: str = "weak-acid-exchange") -> AssessmentSetup:
    treatment = InstalledTreatment(unit=unit, setting=setting, installed=date(2026, 3, 1), price=80.0, currency="EUR")
    return replace(terms, equipment=msgspec.structs.replace(terms.equipment, treatment=treatment))


def test_an_installed_unit_that_suffices_is_retained(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    plan = assess(tap(**HARD).sample, installed(terms, 0.2)).plan
    assert plan.next_step.startswith("Keep weak-acid ion exchange with bypass, bypass 20 %")
    # By hand: 6 eq; 0.8 through it, of which 90 % of 170/50.043 meq/L: 2.446 meq/L; at 25 L a day.
    litres = 6000 / (0.8 * 0.9 * 170 / 50.043)
    assert plan.change_in_litres is not None
    assert plan.change_in_days is not None
    assert plan.change_in_litres.value == pytest.approx(litres, rel=0.03)
    assert plan.change_in_litres.low < litres < plan.change_in_litres.high
    assert plan.change_in_days.value == pytest.approx(litres / 25, rel=0.03)
    assert plan.change_on == date(2026, 3, 1) + timedelta(days=round(plan.change_in_days.value))
    assert plan.yearly_cost == pytest.approx(80 * 365.25 / (litres / 25), rel=0.03)


def test_an_installed_unit_with_a_wrong_setting_is_adjusted(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    plan = assess(tap(**HARD).sample, installed(terms, 0.7)).plan
    assert plan.next_step.startswith("Adjust the installed unit: weak-acid ion exchange with bypass, bypass 15 %")


def test_the_reading_of_treated_water_is_compared(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    raw = sample_from_typed({"hardness": "200 ± 6 mg/L CaCO3", "alkalinity": "170 ± 5 mg/L CaCO3"})
    found = assess(tap(**HARD).sample, installed(terms, 0.2), after=raw)
    assert found.diagnosis is not None
    assert found.diagnosis.state == "indistinguishable", "exhausted, or a sample of the tap"
    assert set(found.diagnosis.possible) == {"exhausted", "swapped"}


@pytest.mark.parametrize(("setting", "unit", "says"), [
    (0.2, "wonder-filter", "no such treatment unit"),
    (None, "weak-acid-exchange", "setting of the installed unit is missing"),
])
def test_an_installed_unit_must_be_known(tap: Callable[..., Any], terms: AssessmentSetup, setting: float | None,
                                          unit: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        assess(tap().sample, installed(terms, setting, unit))


def test_a_reading_of_treated_water_needs_a_treatment(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    with pytest.raises(InputError, match="treatment of this water is not stated"):
        assess(tap().sample, terms, after=tap().sample)


@pytest.mark.parametrize("texts", [
    {"hardness": "1990 mg/L CaCO3", "alkalinity": "1990 mg/L CaCO3", "ph": "7.5", "chloride": "4900 mg/L"},
    {"hardness": "0 mg/L CaCO3", "alkalinity": "0 mg/L CaCO3", "ph": "5.8", "chloride": "0 mg/L"},
    {"hardness": "300 mg/L CaCO3", "alkalinity": "300 mg/L CaCO3", "ph": "6.0", "chloride": "20 mg/L"},
    {"ph": "7.2"},
    {"chloride": "20 mg/L"},
])
def test_extreme_and_sparse_waters_are_judged_without_complaint(terms: AssessmentSetup, texts: dict[str, str]) -> None:
    found = assess(sample_from_typed(texts), replace(terms, units={}))
    assert all(0 <= j.probability <= 1 for j in some(found.judgements))
    assert all(j.low <= j.value <= j.high for j in some(found.judgements))


def test_a_never_drained_steam_boiler_is_judged(terms: AssessmentSetup, tap: Callable[..., Any]) -> None:
    steam = Boiler(name="steam", kind="steam", temperature_c=125, volume_l=7, steam_kg_per_day=3)
    found = assess(tap().sample, replace(terms, units={}, equipment=Equipment(name="m", boilers=(steam,))))
    assert any("salts concentrate without limit" in note for note in found.notes)
    assert found.plan.option.kind == "drain-and-refresh"
    drained = msgspec.structs.replace(steam, drain=Drain(every_days=1.0, share=0.5))
    better = assess(tap().sample, replace(terms, units={}, equipment=Equipment(name="m", boilers=(drained,))))
    assert better.verdicts["machine"] == "within-limits"


@pytest.mark.parametrize(("analyte", "status", "ends"), [
    ("hardness", "above", (410.0, 425.0, 2000.0)), ("ph", "below", (0.0, 6.0, 6.1)),
    ("ph", "above", (8.9, 9.0, 14.0)), ("chloride", "above", (480.0, 500.0, 5000.0)),
])
def test_values_beyond_the_strip_s_range_are_judged(terms: AssessmentSetup, analyte: str,
                                                    status: Literal["below", "above"],
                                                    ends: tuple[float, float, float]) -> None:
    low, value, high = ends
    typed = sample_from_typed({"hardness": "100 mg/L CaCO3", "alkalinity": "60 mg/L CaCO3", "ph": "7.2",
                               "chloride": "20 mg/L"}).estimates
    beyond = tuple(msgspec.structs.replace(e, value=value, low=low, high=high, status=status)
                   if e.analyte == analyte else e for e in typed)
    found = assess(Sample(name="s", origin="strip", estimates=beyond), replace(terms, units={}))
    (own,) = (j for j in found.judgements if j.limit.measure == analyte)
    assert (own.verdict, own.status) == ("out-of-limits", status)
    assert (own.low, own.value, own.high) == ends


def test_beyond_its_range_a_value_is_distributed_as_stated() -> None:
    """Half of the waters above a bound are within a quarter of it (common practice, no source), hence 2 ** (1/3)."""
    rng = np.random.default_rng(1)
    hard = Estimate(analyte="hardness", value=400, low=380, high=2000, unit="mg/L CaCO3", status="above")
    assert np.median(hard.draw(20_000, rng)) == pytest.approx(380 * 2 ** (1 / 3), rel=0.01)
    soft = Estimate(analyte="hardness", value=5, low=0, high=6, unit="mg/L CaCO3", status="below")
    assert np.median(soft.draw(20_000, rng)) == pytest.approx(3, rel=0.03)
    anything = Estimate(analyte="hardness", value=0, low=0, high=2000, unit="mg/L CaCO3", status="above")
    assert np.median(anything.draw(20_000, rng)) == pytest.approx(1000, rel=0.03)
    for acid, end, sign in ((Estimate(analyte="ph", value=6, low=0, high=6.1, unit="pH", status="below"), 6.1, -1),
                            (Estimate(analyte="ph", value=9, low=8.9, high=14, unit="pH", status="above"), 8.9, 1)):
        beyond = sign * (acid.draw(20_000, rng) - end)
        assert beyond.min() >= 0
        assert np.median(beyond) == pytest.approx(0.3 * np.log(2), rel=0.05)


def test_an_installed_unit_that_is_the_best_is_retained(tap: Callable[..., Any], terms: AssessmentSetup) -> None:
    """Ion exchange leaves chloride (conservation of charge), and the list contains nothing else."""
    said = ManufacturerLimit(measure="chloride", unit="mg/L Cl", at_most=30, source="handbook")
    placed = installed(terms, 0.15)
    strict = msgspec.structs.replace(placed.equipment, maker_limits=(said,))
    only = replace(placed, equipment=strict, units={"weak-acid-exchange": UNITS["weak-acid-exchange"]})
    step = assess(tap(**HARD | {"chloride": "180 ± 5 mg/L"}).sample, only).plan.next_step
    assert step.startswith("Keep the installed unit. The installed unit cannot keep chloride (manufacturer's limit)")
    assert step.endswith("but no other option in the list does better.")


def test_an_unmeasured_value_that_decides_the_treatment_is_asked_for(terms: AssessmentSetup) -> None:
    """Alkalinity decides between ion exchange and a membrane (common practice, no source)."""
    known = {"hardness": "220 ± 8 mg/L CaCO3", "ph": "7.5 ± 0.1", "chloride": "20 ± 3 mg/L",
             "chlorine": "0.1 ± 0.05 mg/L"}
    found = assess(sample_from_typed(known), replace(terms, units=UNITS))
    assert found.plan.next_step.startswith("Measure total alkalinity before installing anything")
    assert found.plan.option.kind == found.options[0].kind == "none"
    complete = sample_from_typed(known | {"alkalinity": "200 ± 8 mg/L CaCO3"})
    assert assess(complete, replace(terms, units=UNITS)).plan.option.kind == "weak-acid-exchange"


def test_values_appear_as_entered(of_hard_water: Assessment) -> None:
    """The tap's measured values are those that were typed, not medians of draws."""
    by_name = {c.name: c.before for c in of_hard_water.plan.option.changes}
    typed = {e.analyte: e for e in of_hard_water.values}
    for analyte, name in (("hardness", "total hardness"), ("ph", "pH at the outlet"), ("chloride", "chloride")):
        e = typed[analyte]
        assert (by_name[name].value, by_name[name].low, by_name[name].high) == (e.value, e.low, e.high)
    hardness = next(j for j in of_hard_water.judgements if j.id == "hardness")
    assert (hardness.value, hardness.low) == (typed["hardness"].value, typed["hardness"].low)


def test_the_next_lower_level_is_compared(of_hard_water: Assessment) -> None:
    assert of_hard_water.plan.why_not_less.endswith("would be out of limits.")
    assert "scale" in of_hard_water.plan.why_not_less


def test_permeate_is_recognised(terms: AssessmentSetup, tap: Callable[..., Any]) -> None:
    bare = tap(hardness="3 ± 2 mg/L CaCO3", alkalinity="3 ± 2 mg/L CaCO3", ph="6.0 ± 0.1", calcium=None, sulfate=None)
    assert "permeate" in {w.id for w in assess(bare.sample, replace(terms, units={})).warnings}


def test_nothing_is_solved_twice(tap: Callable[..., Any]) -> None:
    """Rows with the tap's own water take over what is solved for the tap, and parts what is solved for the whole."""
    feed = tap(n=50).drawn.feed
    solved: list[Water] = []

    def hardness(water: Water) -> Vector:
        solved.append(water)
        return water.hardness

    assert feed.solved.once("what", hardness) is feed.solved.once("what", hardness)
    rows = at_settings(NONE, (None,), feed) + at_settings(SoftenerBypass(), (0.5, 1.0), feed)
    treated = treated_feeds(rows, feed, is_treated(rows, feed))
    assert treated.solved.once("what", hardness) == pytest.approx(treated.water.hardness)
    assert [w.shape[0] for w in solved] == [feed.ph.size, 2]
    assert row_of(treated, 1).solved.once("what", hardness) == pytest.approx(treated.water.hardness[1])
    assert feed.take(10).solved.once("what", hardness) == pytest.approx(feed.water.hardness[:10])
    assert len(solved) == 2


def test_the_result_depends_only_on_water_and_model_error(tap: Callable[..., Any]) -> None:
    """Less chlorine or a credit are the same water; other ions, fewer draws or another error are not."""
    feed = tap().drawn.feed
    for same in (replace(feed, free_chlorine=0 * feed.free_chlorine), replace(feed, credit=ScaleCredit(0.5, 90.0))):
        assert same.solved is feed.solved
    harder = replace(feed, water=feed.water.scaled(2.0))
    for other in (harder, feed.take(10), replace(feed, model_error=feed.model_error + 1)):
        assert other.solved is not feed.solved
        assert other.solved.is_of(other.water, other.model_error)
    assert harder.solved.conductivity().min() > feed.solved.conductivity().min()


def test_both_ways_to_a_number_agree(tap: Callable[..., Any]) -> None:
    """The pH in air solved at once, and in two steps; conductivity from species kept, and from the water."""
    water = tap(n=200).drawn.feed.water
    solved = SpeciationCache(water, np.zeros(water.shape))
    assert solved.ph_in_air() == pytest.approx(speciate(open_to_air(water, 25.0, pco2=ROOM_PCO2), 25.0).ph,
                                               abs=1e-6)
    assert solved.conductivity() == pytest.approx(conductivity(water), rel=1e-9)
